// Errors of the service, with the details of google.rpc taken apart.
import path from 'node:path';
import { fileURLToPath } from 'node:url';

import grpc from '@grpc/grpc-js';
import protobuf from 'protobufjs';

const third = path.resolve(path.dirname(fileURLToPath(import.meta.url)), '../../proto/third_party');

const root = new protobuf.Root();
root.resolvePath = (_, target) => path.join(third, target);
root.loadSync(['google/rpc/status.proto', 'google/rpc/error_details.proto']);

const Status = root.lookupType('google.rpc.Status');

// ServiceError says what went wrong: decide by code, refine by reason, show
// the message, never parse it.
export class ServiceError extends Error {
  constructor({ code, message, reason = '', metadata = {}, fields = [], state = [] }) {
    super(message);
    this.name = 'ServiceError';
    this.code = code; // "NOT_FOUND"
    this.reason = reason; // "CASE_NOT_FOUND", from the contract's catalogue
    this.metadata = metadata; // belongs to the reason
    this.fields = fields; // [{ field, description }]
    this.state = state; // [{ type, subject, description }]
  }

  static from(err) {
    const out = { code: grpc.status[err.code] ?? 'UNKNOWN', message: err.details ?? err.message };
    const [packed] = err.metadata?.get('grpc-status-details-bin') ?? [];
    if (packed) {
      for (const any of Status.decode(packed).details) {
        const name = any.type_url.slice(any.type_url.lastIndexOf('/') + 1);
        let type;
        try {
          type = root.lookupType(name);
        } catch {
          continue; // a detail of a later release
        }
        const detail = type.toObject(type.decode(any.value), { defaults: true, arrays: true, objects: true });
        switch (name) {
          case 'google.rpc.ErrorInfo':
            if (detail.domain === 'visitwright') {
              out.reason = detail.reason;
              out.metadata = detail.metadata;
            }
            break;
          case 'google.rpc.BadRequest':
            out.fields = detail.fieldViolations.map(({ field, description }) => ({ field, description }));
            break;
          case 'google.rpc.PreconditionFailure':
            out.state = detail.violations.map(({ type, subject, description }) => ({ type, subject, description }));
            break;
        }
      }
    }
    return new ServiceError(out);
  }
}
