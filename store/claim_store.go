package store

import (
	"context"
	"errors"
	"strings"
	"time"
)

// clientWorker begins the worker's name of a client's claims: what this server
// sends by itself is none of a client's business.
const clientWorker = "client/"

const claimColumns = messageColumns + `, lease_us, worker`

var (
	stmtCarrierPut    = writes("message carrier put", `INSERT INTO message_carriers (practice_id) VALUES (?1) ON CONFLICT (practice_id) DO NOTHING`)
	stmtCarrierDelete = writes("message carrier delete", `DELETE FROM message_carriers WHERE practice_id = ?1`)
	stmtClaimNew      = differs("claim for integration", `
		UPDATE messages SET state = 'claimed', attempt = attempt + 1, lease_us = ?3, worker = ?4
		WHERE practice_id = ?1 AND state = 'waiting' AND id IN (
			SELECT id FROM messages WHERE practice_id = ?1 AND state = 'waiting' AND not_before_us <= ?2 ORDER BY not_before_us, id LIMIT ?5)
		RETURNING `+claimColumns, `
		WITH due AS MATERIALIZED (
			SELECT id FROM messages WHERE practice_id = ?1 AND state = 'waiting' AND not_before_us <= ?2 ORDER BY not_before_us, id LIMIT ?5
			FOR UPDATE SKIP LOCKED)
		UPDATE messages SET state = 'claimed', attempt = attempt + 1, lease_us = ?3, worker = ?4
		WHERE practice_id = ?1 AND state = 'waiting' AND id IN (SELECT id FROM due)
		RETURNING `+claimColumns, true)
	stmtClaimsInHand = reads("claims in hand", `
		SELECT `+claimColumns+` FROM messages WHERE practice_id = ?1 AND worker = ?2 AND state IN ('claimed', 'sending') AND lease_us > ?3 ORDER BY id`)
	stmtClaimsDue = reads("claims due", `
		SELECT id FROM messages WHERE practice_id = ?1 AND state = 'waiting' AND not_before_us <= ?2 LIMIT 1`)
	stmtClaimGet = reads("claim get", `SELECT `+claimColumns+` FROM messages WHERE practice_id = ?1 AND id = ?2`)
)

type claimRow struct {
	messageRow
	LeaseUS int64  `db:"lease_us"`
	Worker  string `db:"worker"`
}

func claims(rows []claimRow) []Claim {
	out := make([]Claim, len(rows))
	for i, r := range rows {
		out[i] = Claim{Message: r.message(), LeaseEnd: fromUS(r.LeaseUS)}
	}
	return out
}

func (t *tx) putCarrier(ctx context.Context, carrier string) error {
	st := stmtCarrierDelete
	if carrier == CarrierIntegration {
		st = stmtCarrierPut
	}
	_, err := t.exec(ctx, st, t.call.Practice)
	return err
}

// ClaimForIntegration gives messages that are due to a client.
func (s *Store) ClaimForIntegration(ctx context.Context, call Call, worker string, most int, lease time.Duration) ([]Claim, bool, error) {
	var room bool
	list, err := sweep(ctx, s, call.Practice, func(t *tx) ([]Claim, error) {
		room = true
		if _, err := t.exec(ctx, stmtMessageRescue, us(t.now)); err != nil {
			return nil, err
		}
		var held, rows []claimRow
		if err := t.list(ctx, &held, stmtClaimsInHand, call.Practice, clientWorker+worker, us(t.now)); err != nil {
			return nil, err
		}
		free := most - len(held)
		if free > 0 {
			if err := t.list(ctx, &rows, stmtClaimNew, call.Practice, us(t.now), us(t.now.Add(lease)), clientWorker+worker, free); err != nil {
				return nil, err
			}
		}
		if len(rows) == max(free, 0) {
			var due []string
			if err := t.list(ctx, &due, stmtClaimsDue, call.Practice, us(t.now)); err != nil {
				return nil, err
			}
			room = len(due) == 0
		}
		return claims(rows), nil
	})
	return list, room, err
}

// ClaimsInHand are the claims of a client whose lease has not ended.
func (s *Store) ClaimsInHand(ctx context.Context, call Call, worker string) ([]Claim, error) {
	var rows []claimRow
	err := s.glance(ctx, call, func(q querier, now time.Time) error {
		return q.list(ctx, &rows, stmtClaimsInHand, call.Practice, clientWorker+worker, us(now))
	})
	return claims(rows), err
}

// clientsClaim reads a claim that a client holds or held.
func (t *tx) clientsClaim(ctx context.Context, id string, attempt int) (claimRow, error) {
	var row claimRow
	err := t.get(ctx, &row, stmtClaimGet, t.call.Practice, id)
	if noRows(err) {
		err = notFound("messages/" + id)
	}
	if err == nil && (row.Attempt != attempt || !strings.HasPrefix(row.Worker, clientWorker)) {
		err = claimLost(id)
	}
	return row, err
}

func claimLost(id string) error {
	return wrongState("messages/"+id, "a claim whose lease has not ended, with its attempt number")
}

// CollectMessage looks at a client's claim once more and keeps what is decided.
// The letter leaves the house with it: that is an access to the patient's data.
func (s *Store) CollectMessage(ctx context.Context, call Call, id string, attempt int, decide func(Message, Standing) (Verdict, error)) (Verdict, Claim, error) {
	if err := checkCall(call); err != nil {
		return Verdict{}, Claim{}, err
	}
	var out Claim
	var at time.Time
	once := func(decide func(Message, Standing) (Verdict, error)) (Verdict, error) {
		return sweep(ctx, s, call.Practice, func(t *tx) (Verdict, error) {
			row, err := t.clientsClaim(ctx, id, attempt)
			if err != nil {
				return Verdict{}, err
			}
			at = t.now
			m := row.message()
			ask := func(st Standing) (Verdict, error) { return decide(m, st) }
			out = Claim{Message: m, LeaseEnd: fromUS(row.LeaseUS)}
			if m.State == MessageSending && row.LeaseUS > us(t.now) { // its answer was lost: look, and change nothing
				st, err := t.standing(ctx, m)
				if err != nil {
					return Verdict{}, err
				}
				return ask(st)
			}
			if m.State != MessageClaimed || row.LeaseUS <= us(t.now) {
				return Verdict{}, claimLost(id)
			}
			v, err := t.decide(ctx, m, ask)
			if end := t.now.Add(v.Lease); end.After(out.LeaseEnd) {
				out.LeaseEnd = end
			}
			return v, err
		})
	}
	v, err := once(decide)
	if errors.Is(err, ErrExists) {
		v, err = once(func(m Message, st Standing) (Verdict, error) {
			return anotherDay(m, st, func() (Verdict, error) { return decide(m, st) })
		})
	}
	if err != nil {
		return v, out, err
	}
	return v, out, s.access.record(ctx, call, "patients/"+out.PatientID+"/letter", at)
}

// EndClaim keeps what became of a claim. An acknowledgement that comes after
// the lease still counts while nobody else has claimed the message.
func (s *Store) EndClaim(ctx context.Context, call Call, id string, attempt int, decide func(Message, time.Time) Verdict) (Message, error) {
	return write(ctx, s, call, func(t *tx) (Message, error) {
		row, err := t.clientsClaim(ctx, id, attempt)
		if err != nil {
			return Message{}, err
		}
		m := row.message()
		v := decide(m, t.now)
		late := m.State == MessageWaiting && m.Problem == stoppedSending && v.To == MessageSent
		switch {
		case m.State == MessageSending, late:
			// A message that may have left keeps its day.
			if v.RoutineDay == "" && v.To != MessageFailed {
				if err := t.get(ctx, &v.RoutineDay, stmtMessageDay, call.Practice, id); err != nil {
					return Message{}, err
				}
			}
		case m.State == MessageClaimed && v.To != MessageSent:
		case m.State == v.To: // said before
			t.silent = true
			return m, nil
		default:
			return Message{}, claimLost(id)
		}
		if v.Channel == "" {
			v.Channel = m.Channel
		}
		if err := t.step(ctx, m, m.State, v); err != nil {
			return Message{}, err
		}
		t.about("messages/"+id, "state")
		err = t.get(ctx, &row, stmtClaimGet, call.Practice, id)
		return row.message(), err
	})
}
