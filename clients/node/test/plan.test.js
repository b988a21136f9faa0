import assert from 'node:assert/strict';
import { randomUUID } from 'node:crypto';
import { after, before, test } from 'node:test';

import { connect, loadContract } from '../client.js';
import { describe, planCase } from '../plan.js';
import { startService } from '../service.js';

let service;
let clinician;

before(async () => {
  service = await startService();
  clinician = connect({ target: service.target, token: service.tokens.clinician, practice: service.practice, seconds: 20 });
});

after(async () => {
  clinician?.close();
  if (service) assert.equal(await service.stop(), 0, 'the service stops cleanly');
});

const molar = {
  tooth: '46', pulpal: 'necrosis', apical: 'asymptomatic-apical-periodontitis',
  factors: ['caries', 'narrow-mesial-canals'],
  answers: [{ criterion: 'root-curvature', answer: '10-to-30' }],
  evidence: [{ sign: 'canal-disappears-mid-root' }],
};

test('the contract loads with protobufjs, both services in it', () => {
  const contract = loadContract();
  assert.equal(typeof contract.PlannerService.service.ProposePlan.path, 'string');
  assert.equal(contract.DiaryService.service.TakeInAppointments.requestStream, true);
});

test('a lower molar is planned in options that can be read', async () => {
  const plan = await planCase(clinician, molar);
  assert.match(plan.name, /^practices\/.+\/cases\/.+\/plans\/1$/);
  assert.equal(plan.tooth.words, 'lower right first molar');
  assert.ok(plan.options.length >= 2);
  const recommended = plan.options.find((o) => o.id === plan.recommendedOption);
  assert.ok(recommended?.feasible);
  let last = 0;
  for (const { probability } of recommended.completeBy) {
    assert.ok(probability >= last && probability <= 1 + 1e-9, 'odds of being complete rise and end at most at one');
    last = probability;
  }
  const text = describe(plan);
  assert.match(text, /46, lower right first molar/);
  assert.match(text, /\(recommended\)/);
  assert.match(text, /visit 1: \d+ minutes/);
});

test('the full view carries the model, its chances sum to one', async () => {
  const { name } = await planCase(clinician, molar);
  const plan = await clinician.planner('GetPlan', { name, view: 'PLAN_VIEW_FULL' });
  const sum = plan.workings.model.canals.probabilities.reduce((a, b) => a + b, 0);
  assert.ok(Math.abs(sum - 1) < 1e-9);
  assert.ok(plan.workings.trace.length > 0);
});

test('a repeated write gets the first answer', async () => {
  const request = { parent: clinician.practice, patient: { reference: `twice-${randomUUID()}` }, requestId: randomUUID() };
  const first = await clinician.planner('CreatePatient', request);
  const second = await clinician.planner('CreatePatient', request);
  assert.deepEqual(second, first);
});

test('a primary tooth is refused by name of the field and what would be right', async () => {
  await assert.rejects(planCase(clinician, { ...molar, tooth: '75' }), (err) => {
    assert.equal(err.code, 'INVALID_ARGUMENT');
    assert.equal(err.reason, 'PRIMARY_TOOTH');
    assert.equal(err.fields[0].field, 'case.tooth.iso');
    assert.match(err.fields[0].description, /11 to 48/);
    return true;
  });
});

test('a state that stands in the way is named', async () => {
  const patient = await clinician.write('CreatePatient', { parent: clinician.practice, patient: { reference: `state-${randomUUID()}` } });
  const opened = await clinician.write('CreateCase', { parent: clinician.practice, case: { patient: patient.name } });
  await assert.rejects(clinician.write('Assess', { parent: opened.name, findings: {} }), (err) => {
    assert.equal(err.code, 'FAILED_PRECONDITION');
    assert.equal(err.reason, 'TOOTH_NOT_IDENTIFIED');
    assert.deepEqual(err.state.map((s) => s.subject), [opened.name]);
    return true;
  });
});

test('reception may look at a plan and not accept it', async () => {
  const plan = await planCase(clinician, molar);
  const reception = connect({ target: service.target, token: service.tokens.reception, practice: service.practice });
  try {
    assert.equal((await reception.planner('GetPlan', { name: plan.name })).name, plan.name);
    await assert.rejects(reception.write('AcceptOption', { name: plan.name, option: plan.recommendedOption }), { code: 'PERMISSION_DENIED' });
  } finally {
    reception.close();
  }
});

test('a token that is none opens nothing', async () => {
  const stranger = connect({ target: service.target, token: 'not-a-token', practice: service.practice });
  try {
    await assert.rejects(stranger.planner('GetServerInfo'), { code: 'UNAUTHENTICATED', reason: 'TOKEN_INVALID' });
  } finally {
    stranger.close();
  }
});

test('a person signs in, is known, and signs out', async () => {
  const manager = connect({ target: service.target, token: service.tokens.manager, practice: service.practice });
  const nobody = connect({ target: service.target, practice: service.practice });
  const passphrase = `nine small herons ${randomUUID()}`;
  let person;
  try {
    const made = await manager.identity('CreatePerson', {
      parent: manager.practice, passphrase, requestId: randomUUID(), person: { signInName: 'ida', displayName: 'Ida', role: 'ROLE_NURSE' },
    });
    const { sessionToken } = await nobody.identity('SignIn', { parent: nobody.practice, signInName: 'IDA', passphrase });
    person = connect({ target: service.target, token: sessionToken, practice: service.practice });
    assert.equal((await person.identity('GetMe')).person, made.name);
    await person.identity('SignOut');
    await assert.rejects(person.identity('GetMe'), { code: 'UNAUTHENTICATED', reason: 'SESSION_ENDED' });
    await assert.rejects(nobody.identity('SignIn', { parent: nobody.practice, signInName: 'ida', passphrase: 'something else' }),
      { code: 'UNAUTHENTICATED', reason: 'SIGN_IN_REFUSED' });
  } finally {
    for (const client of [manager, nobody, person]) client?.close();
  }
});
