// Plans one case and prints the options side by side.
//
//   VISITWRIGHT_TOKEN=... node plan.js --server 127.0.0.1:7646 --practice my-practice \
//     --tooth 46 --pulpal necrosis --apical asymptomatic-apical-periodontitis
import { randomUUID } from 'node:crypto';
import { parseArgs } from 'node:util';
import { pathToFileURL } from 'node:url';

import { connect } from './client.js';

// planCase makes a patient and a case, assesses it and keeps a plan.
export async function planCase(client, { tooth, pulpal, apical, factors = [], answers = [], evidence = [] }) {
  const patient = await client.write('CreatePatient', {
    parent: client.practice,
    patient: { reference: `node-${randomUUID().slice(0, 8)}` },
  });
  const opened = await client.write('CreateCase', {
    parent: client.practice,
    case: { patient: patient.name, tooth: { iso: tooth }, diagnosis: { pulpal, apical } },
  });
  await client.write('Assess', { parent: opened.name, findings: { factors, answers, evidence } });
  return client.write('ProposePlan', { parent: opened.name });
}

// describe is the plan as text, one line for each visit of each option.
export function describe(plan) {
  const lines = [`${plan.tooth.shown}, ${plan.tooth.words}: ${plan.title}`];
  const canals = plan.assessment.canals;
  lines.push(`canals to treat: ${canals.belief.expected} expected; a further one: ${canals.furtherCanal.words}`);
  for (const option of plan.options) {
    const marks = option.id === plan.recommendedOption ? ' (recommended)' : '';
    lines.push('', `${option.title}${marks}`);
    if (!option.feasible) {
      lines.push(`  ${option.infeasibleBecause}`);
      continue;
    }
    for (const visit of option.visits) {
      const window = visit.returnWindow;
      const when = window ? `, day ${window.earliest.days} to ${window.latest.days}` : '';
      lines.push(`  visit ${visit.number}: ${visit.appointmentMinutes} minutes${when}; ${visit.onTime.words}; ${visit.aim}`);
    }
    lines.push(`  ${option.completeBy.map((o) => o.words).join('; ')}`);
    for (const reason of option.reasons) {
      const how = reason.stance.replace('STANCE_', '').toLowerCase().replaceAll('_', ' ');
      lines.push(`  ${how}: ${reason.text}`);
    }
  }
  lines.push('', plan.recommendation);
  return lines.join('\n');
}

async function main() {
  const { values } = parseArgs({
    options: {
      server: { type: 'string', default: '127.0.0.1:7646' },
      practice: { type: 'string', default: 'my-practice' },
      tooth: { type: 'string', default: '46' },
      pulpal: { type: 'string', default: 'necrosis' },
      apical: { type: 'string', default: 'asymptomatic-apical-periodontitis' },
      factor: { type: 'string', multiple: true, default: [] },
    },
  });
  const token = process.env.VISITWRIGHT_TOKEN;
  if (!token) throw new Error('set VISITWRIGHT_TOKEN to an access token of a clinician');
  const client = connect({ target: values.server, token, practice: values.practice });
  try {
    console.log(describe(await planCase(client, { ...values, factors: values.factor })));
  } finally {
    client.close();
  }
}

if (import.meta.url === pathToFileURL(process.argv[1] ?? '').href) {
  main().catch((err) => {
    console.error(err.message);
    if (err.fields?.length > 1) {
      for (const { field, description } of err.fields) console.error(`  ${field}: want ${description}`);
    }
    process.exitCode = 1;
  });
}
