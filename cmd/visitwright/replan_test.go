package main

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/visitwright/visitwright/planner"
	"github.com/visitwright/visitwright/scheduler"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/access"
	"github.com/visitwright/visitwright/store/pgtest"
)

// replica is planner and follow-ups on a store with a clock of the test's.
type replica struct {
	plans   *planner.Service
	follows *scheduler.FollowUps
}

// replicas are several of them on one database, at a time of their own.
func (h *home) replicas(n int, database string, now time.Time) []replica {
	h.t.Helper()
	w := &where{Data: h.dir, Database: database}
	text, err := os.ReadFile(filepath.Join(h.dir, access.KeyFile))
	if err != nil {
		h.t.Fatal(err)
	}
	if database == "" {
		database = filepath.Join(h.dir, access.DatabaseFile)
	}
	clock := func() time.Time { return now }
	var out []replica
	for range n {
		keys, err := store.ParseKeys(text)
		if err != nil {
			h.t.Fatal(err)
		}
		s, err := store.Open(h.t.Context(), store.Config{Database: database, Keys: keys, Clock: clock})
		if err != nil {
			h.t.Fatal(err)
		}
		plans, diary, err := services(s, houseOptions{where: w, now: clock}, nil)
		if err != nil {
			h.t.Fatal(err)
		}
		follows, err := scheduler.NewFollowUps(diary, s)
		if err != nil {
			h.t.Fatal(err)
		}
		h.t.Cleanup(func() {
			plans.Close()
			if err := s.Close(); err != nil {
				h.t.Error(err)
			}
		})
		out = append(out, replica{plans, follows})
	}
	return out
}

// replanned lets the sweep find what is due and several replicas plan anew at
// the same time. It returns how many dates they dealt with together.
func replanned(t *testing.T, houses []replica) int {
	t.Helper()
	if _, err := houses[0].follows.Refresh(t.Context(), ""); err != nil {
		t.Fatal(err)
	}
	var wait sync.WaitGroup
	did := make([]int, len(houses))
	for i, h := range houses {
		wait.Add(1)
		go func() {
			defer wait.Done()
			var err error
			if did[i], err = h.plans.ReplanOverdue(context.WithoutCancel(t.Context())); err != nil {
				t.Error(err)
			}
		}()
	}
	wait.Wait()
	total := 0
	for _, n := range did {
		total += n
	}
	return total
}

// A tooth dressed with calcium hydroxide and never seen again: within the
// dressing's own 28 days nothing is planned; past them one plan proposes to
// dress again, and past the life of the seal one to clean again.
func TestPassingALatestDayProposesOnePlanOverTwoReplicas(t *testing.T) {
	t.Run("SQLite", func(t *testing.T) {
		h := newHome(t)
		id := h.furnish()
		day := monday.AddDate(0, 0, 1)
		h.mustAt(day, "care", "open", id, "shaped-and-dressed", "--dressing", "calcium-hydroxide", "--temporary", "double-seal")
		passing(t, h, id, "", day)
		now := day.AddDate(0, 0, 95)
		golden(t, "replan-due", h.mustAt(now, "due", "needs-decision"))
		for plan, wants := range map[string][]string{
			"2": {"made because The latest day of the return visit, 2027-03-30, has passed. Clean and dress again", "recommended Two more visits", "recommended: one-visit to two-visits", "Return: as soon as there is a place"},
			"3": {"has passed. Seal counts as lost", "recommended Two more visits", "two more visits, visit 1: "},
		} {
			page := squeezed(h.mustAt(now, "revisions", id, plan))
			for _, want := range wants {
				if !strings.Contains(page, want) {
					t.Errorf("plan %s lacks %q:\n%s", plan, want, page)
				}
			}
		}
		if out := h.mustAt(now, "due", "offers", id, "--most", "1"); !strings.Contains(out, "1 offer") {
			t.Errorf("no place for the new plan's first visit:\n%s", out)
		}
	})
	t.Run("PostgreSQL", func(t *testing.T) { // what people do goes by the database's own clock there
		url := pgtest.Empty(t)
		t.Setenv("VISITWRIGHT_DATABASE", url)
		h := newHome(t)
		id := h.furnish()
		h.must("care", "open", id, "shaped-and-dressed", "--dressing", "calcium-hydroxide", "--temporary", "double-seal")
		passing(t, h, id, url, time.Now())
	})
}

// squeezed is a page without its layout.
func squeezed(page string) string { return strings.Join(strings.Fields(page), " ") }

func passing(t *testing.T, h *home, id, database string, opened time.Time) {
	t.Helper()
	for _, row := range []struct{ days, dates, plans int }{{20, 0, 1}, {31, 1, 2}, {60, 0, 2}, {95, 1, 3}, {200, 0, 3}} {
		if n := replanned(t, h.replicas(2, database, opened.AddDate(0, 0, row.days))); n != row.dates {
			t.Errorf("after %d days %d dates were dealt with, want %d", row.days, n, row.dates)
		}
		out := h.must("revisions", id)
		if n := strings.Count(out, "window passed"); n != row.plans-1 || strings.Count(out, "accepted") > 1 {
			t.Errorf("after %d days:\n%s", row.days, out)
		}
	}
	if out := h.must("audit", "verify"); !strings.Contains(out, "whole") {
		t.Errorf("%s", out)
	}
}

// The last visit in the chair says what was found and done: the new plan starts
// from it, and the next visit in the chair begins with cleaning again.
func TestAnOverdueToothFromTheChairIsPlannedFromWhatTheChairFound(t *testing.T) {
	h := newHome(t)
	id := h.furnish()
	at := func(minute int, args ...string) string {
		t.Helper()
		return h.mustAt(monday.Add(time.Duration(minute)*time.Minute), append([]string{"chair"}, args...)...)
	}
	at(0, "begin", id, "--confirmed", "--minutes", "90")
	at(25, "stage", id, "open")
	at(70, "stage", id, "shape")
	at(85, "end", id, "--dressing", "calcium-hydroxide", "--temporary", "double-seal", "--seal", "4", "--forced", "no time left")
	now := monday.AddDate(0, 0, 40)
	if n := replanned(t, h.replicas(1, "", now)); n != 1 {
		t.Fatalf("%d dates were dealt with:\n%s", n, h.mustAt(now, "due", "--case", id))
	}
	if page := squeezed(h.mustAt(now, "revisions", id, "2")); !strings.Contains(page, "recommended Two more visits") || !strings.Contains(page, "aim clean and shape, dress and seal") {
		t.Errorf("%s", page)
	}
	h.mustAt(now, "accept", id, "--option", "two-visits", "--consent", "spoken")
	h.mustAt(now.Add(time.Hour), "chair", "begin", id, "--confirmed", "--minutes", "90")
	if out := h.mustAt(now.Add(90*time.Minute), "chair", "stage", id, "shape"); !strings.Contains(out, "caught up  MB     shaping with irrigation") {
		t.Errorf("the canals were not cleaned again:\n%s", out)
	}
}

// Without an assessment nobody can plan: said once, where people look.
func TestAnOverdueToothThatCannotBePlannedSaysWhy(t *testing.T) {
	h := newHome(t)
	h.furnish()
	id := h.id(h.mustAt(monday, "case", "open", "--patient", "INVENTED-0046", "--tooth", "36", "--protocol", "primary-treatment", "--diagnosis", "necrotic-lesion"), "Case")
	h.mustAt(monday, "care", "open", id, "shaped-and-dressed", "--dressing", "calcium-hydroxide", "--temporary", "double-seal")
	now := monday.AddDate(0, 0, 40)
	houses := h.replicas(2, "", now)
	if n := replanned(t, houses); n != 1 || replanned(t, houses) != 0 {
		t.Errorf("%d", n)
	}
	if out := h.mustAt(now, "due", "needs-decision"); !strings.Contains(out, "no plan could be proposed: the case has no assessment") {
		t.Errorf("%s", out)
	}
}

// Without a running service the first reader of the list has it planned.
func TestTheFirstReaderOfTheListHasAnOverdueToothPlanned(t *testing.T) {
	h := newHome(t)
	id := h.furnish()
	h.mustAt(monday, "care", "open", id, "shaped-and-dressed", "--dressing", "calcium-hydroxide", "--temporary", "double-seal")
	for range 2 {
		if out := h.mustAt(monday.AddDate(0, 0, 40), "due"); !strings.Contains(out, "proposed and not accepted: plan 2") {
			t.Errorf("%s", out)
		}
	}
}
