package store_test

import (
	"context"
	"database/sql"
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/pgtest"
	"github.com/visitwright/visitwright/store/storetest"
)

// sweepPractices share the cases of the benchmark evenly.
const sweepPractices = 1000

// largeSweep is the number of cases of the large database: a million with
// VISITWRIGHT_SWEEP_CASES=1000000 (a minute or two to fill), less by default.
func largeSweep() int {
	if n, err := strconv.Atoi(os.Getenv("VISITWRIGHT_SWEEP_CASES")); err == nil && n > 0 {
		return n
	}
	return 100_000
}

// seedCare fills a database with cases that are due a year from now, past the
// store.
func seedCare(b *testing.B, super string, cases int) *sql.DB {
	b.Helper()
	db, err := sql.Open("postgres", super)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = db.Close() })
	for _, text := range []string{
		fmt.Sprintf(`INSERT INTO practices SELECT 'p' || i, 'p', 'Europe/Vienna', 'iso', ''::bytea, 1, 0, 0 FROM generate_series(0, %d) i`, sweepPractices-1),
		fmt.Sprintf(`INSERT INTO practice_heads SELECT 'p' || i, 0, decode(repeat('00', 32), 'hex'), 0, 0, 0, 0 FROM generate_series(0, %d) i`, sweepPractices-1),
		fmt.Sprintf(`INSERT INTO patients (practice_id, id, reference, reference_key, weight_grams, birth_year, sealed, external_ids, row_version, create_us, update_us)
			SELECT 'p' || i, 'pat', 'r', 'r', 0, 0, ''::bytea, '[]', 1, 0, 0 FROM generate_series(0, %d) i`, sweepPractices-1),
		fmt.Sprintf(`INSERT INTO cases (practice_id, id, patient_id, tooth, clinician, state, protocol, diagnosis, root_development, closing_reason, close_us, sealed, external_ids, revision, assessment, row_version, create_us, update_us)
			SELECT 'p' || (i %% %d), 'c' || i, 'pat', 46, '', 'filled', '', '', '', '', 0, ''::bytea, '[]', 0, 0, 1, 0, 0 FROM generate_series(1, %d) i`, sweepPractices, cases),
		fmt.Sprintf(`INSERT INTO care SELECT practice_id, id, patient_id, ''::bytea, %d, 1, 0 FROM cases`, storetest.Start.AddDate(1, 0, 0).UnixMicro()),
		`INSERT INTO follow_ups SELECT practice_id, id, 'review/1', patient_id, 'review', CASE WHEN length(id) % 2 = 0 THEN 'due' ELSE 'overdue' END, 'reception',
			'2026-01-01', '2026-02-01', '2026-03-' || lpad((1 + abs(hashtext(id)) % 28)::text, 2, '0'), '2026-01-01', 'because', '' FROM cases`,
		`VACUUM ANALYZE`,
		`CHECKPOINT`, // else the first readings pay for the filling
	} {
		if _, err := db.Exec(text); err != nil {
			b.Fatal(err)
		}
	}
	return db
}

// What a sweep costs follows from what is due, not from how many cases there
// are; a practice's list is read from its own rows alone.
func BenchmarkSweep(b *testing.B) {
	for _, cases := range []int{10_000, largeSweep()} {
		b.Run(fmt.Sprintf("cases=%d", cases), func(b *testing.B) {
			url, super := pgtest.New(b, migrate)
			db := seedCare(b, super, cases)
			clock := storetest.NewClock()
			s, err := store.Open(b.Context(), store.Config{Database: url, Keys: storetest.TestKeys(b), Clock: clock.Now})
			if err != nil {
				b.Fatal(err)
			}
			b.Cleanup(func() { _ = s.Close() })
			for _, due := range []int{0, 2000} {
				if due > 0 {
					if _, err := db.Exec(`UPDATE care SET look_us = 1 WHERE (practice_id, case_id) IN (SELECT practice_id, case_id FROM care ORDER BY case_id LIMIT $1)`, due); err != nil {
						b.Fatal(err)
					}
				}
				b.Run(fmt.Sprintf("due=%d", due), func(b *testing.B) {
					best := time.Hour
					for b.Loop() {
						began := time.Now()
						sweepOf(b, s, due)
						best = min(best, time.Since(began))
					}
					b.ReportMetric(float64(best.Microseconds()), "best-us")
					if due > 0 {
						b.ReportMetric(float64(buffers(b, db, clock.Now()))/float64(due), "buffers/due")
					}
				})
			}
			b.Run("list", func(b *testing.B) {
				best := time.Hour
				for b.Loop() {
					began := time.Now()
					got, _, err := s.ListFollowUps(context.Background(), store.Call{Practice: "p7", Actor: "b", Method: "/m"}, store.FollowUpQuery{})
					if err != nil || len(got) == 0 {
						b.Fatalf("%d, %v", len(got), err)
					}
					best = min(best, time.Since(began))
				}
				b.ReportMetric(float64(best.Microseconds()), "best-us")
			})
		})
	}
}

// sweepOf is everything that a sweep over all practices asks before it looks at
// a case: what changed, which cases are due, which latest dates have passed,
// which messages may leave, which provisional bookings have ended.
func sweepOf(b *testing.B, s *store.Store, due int) {
	b.Helper()
	ctx := context.Background()
	_, err := s.TakeCauses(ctx, "", 200, func(context.Context, string, store.Appointment, []store.Message, time.Time) ([]store.NewMessage, error) {
		return nil, nil
	})
	if err != nil {
		b.Fatal(err)
	}
	got, err := s.DueCare(ctx, "", 5000)
	if err != nil || len(got) != due {
		b.Fatalf("%d due, %v", len(got), err)
	}
	if _, err := s.PassedDates(ctx, 50); err != nil {
		b.Fatal(err)
	}
	if _, err := s.ClaimMessages(ctx, "b", 200, time.Minute); err != nil {
		b.Fatal(err)
	}
	if _, err := s.EndExpired(ctx, 1000); err != nil {
		b.Fatal(err)
	}
}

// buffers reads how many pages the sweep's query touches.
func buffers(b *testing.B, db *sql.DB, now time.Time) int {
	b.Helper()
	rows, err := db.Query(fmt.Sprintf(`EXPLAIN (ANALYZE, BUFFERS, COSTS off, TIMING off)
		SELECT practice_id, case_id FROM care WHERE look_us > 0 AND look_us <= %d ORDER BY look_us, practice_id, case_id LIMIT 5000`, now.UnixMicro()))
	if err != nil {
		b.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var line string
		if err := rows.Scan(&line); err != nil {
			b.Fatal(err)
		}
		if _, after, ok := strings.Cut(line, "Buffers: shared "); ok {
			n := 0
			for _, part := range strings.Fields(after) {
				_, number, _ := strings.Cut(part, "=")
				v, _ := strconv.Atoi(number)
				n += v
			}
			return n // the first line is the whole plan's
		}
	}
	b.Fatalf("no buffers: %v", rows.Err())
	return 0
}
