// A small client of Visitwright: it loads the .proto files of the contract at
// run time, so that nothing here is generated and nothing can be out of date.
import { randomUUID } from 'node:crypto';
import { readFileSync } from 'node:fs';
import path from 'node:path';
import { fileURLToPath } from 'node:url';

import grpc from '@grpc/grpc-js';
import protoLoader from '@grpc/proto-loader';

import { ServiceError } from './errors.js';

export const contractFolder = path.resolve(path.dirname(fileURLToPath(import.meta.url)), '../../proto');

const services = ['planner_service', 'diary_service', 'identity_service'];

// Enum values are their names, a field that is not set is absent or its
// default, and 64-bit numbers are numbers: none of ours passes 2^53.
const loading = { longs: Number, enums: String, defaults: true, oneofs: true, arrays: true };

export function loadContract(folder = contractFolder) {
  const definition = protoLoader.loadSync(
    services.map((s) => `visitwright/v1/${s}.proto`),
    { ...loading, includeDirs: [folder, path.join(folder, 'third_party')] },
  );
  return grpc.loadPackageDefinition(definition).visitwright.v1;
}

// connect returns a client of the service at target ("host:port").
//
//   token     access token or a session's token, sent with every call; signing
//             in needs none
//   practice  id of the practice; names begin with practices/{practice}
//   ca        PEM of the authority that signed the server's certificate; without
//             it the connection is in the clear, which the server allows on
//             loopback only
//   seconds   how long a call may take
export function connect({ target, token, practice, ca, seconds = 10 }) {
  const contract = loadContract();
  const credentials = ca ? grpc.credentials.createSsl(ca) : grpc.credentials.createInsecure();
  const options = {
    // Repeats calls that the service did not take; writes carry a request id.
    'grpc.service_config': readFileSync(path.join(contractFolder, 'visitwright/v1/service_config.json'), 'utf8'),
  };
  const stubs = {
    planner: new contract.PlannerService(target, credentials, options),
    diary: new contract.DiaryService(target, credentials, options),
    identity: new contract.IdentityService(target, credentials, options),
  };

  // call makes one unary call and returns the answer, or throws a ServiceError.
  function call(service, method, request = {}) {
    const stub = stubs[service];
    const metadata = new grpc.Metadata();
    if (token) metadata.set('authorization', `Bearer ${token}`);
    return new Promise((resolve, reject) => {
      stub[method](request, metadata, { deadline: Date.now() + seconds * 1000 }, (err, answer) => {
        if (err) reject(ServiceError.from(err));
        else resolve(answer);
      });
    });
  }

  return {
    practice: `practices/${practice}`,
    planner: (method, request) => call('planner', method, request),
    diary: (method, request) => call('diary', method, request),
    identity: (method, request) => call('identity', method, request),
    // write is planner with a fresh request id, so that a repeated call is done
    // once.
    write: (method, request) => call('planner', method, { requestId: randomUUID(), ...request }),
    close() {
      for (const stub of Object.values(stubs)) stub.close();
    },
  };
}
