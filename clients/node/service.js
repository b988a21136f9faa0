// For tests: starts the real program on a free port with an empty data folder.
// VISITWRIGHT_PROGRAM names a program that is built already.
import { execFileSync, spawn } from 'node:child_process';
import { mkdtempSync, readFileSync, rmSync } from 'node:fs';
import { tmpdir } from 'node:os';
import path from 'node:path';
import { fileURLToPath } from 'node:url';

const repository = path.resolve(path.dirname(fileURLToPath(import.meta.url)), '../..');

export async function startService() {
  const folder = mkdtempSync(path.join(tmpdir(), 'visitwright-node-'));
  let program = process.env.VISITWRIGHT_PROGRAM;
  if (!program) {
    program = path.join(folder, 'visitwright');
    execFileSync('go', ['build', '-o', program, './cmd/visitwright'], { cwd: repository, stdio: 'inherit' });
  }
  const data = path.join(folder, 'data');
  const service = spawn(program, ['serve', '--listen', '127.0.0.1:0', '--data', data], { stdio: ['ignore', 'pipe', 'pipe'] });
  let log = '';
  service.stderr.on('data', (chunk) => { log += chunk; });
  const ended = new Promise((resolve) => service.once('exit', resolve));

  const target = await new Promise((resolve, reject) => {
    let said = '';
    service.stdout.on('data', (chunk) => {
      said += chunk;
      const found = /^serving (\S+)$/m.exec(said);
      if (found) resolve(found[1]);
    });
    service.once('error', reject);
    service.once('exit', (code) => reject(new Error(`the service ended with ${code}: ${log}`)));
  });
  const { practice, tokens } = JSON.parse(readFileSync(path.join(data, 'credentials.json'), 'utf8'));
  return {
    target,
    practice,
    tokens,
    async stop() {
      service.kill('SIGTERM');
      const code = await ended;
      rmSync(folder, { recursive: true, force: true });
      return code;
    },
  };
}
