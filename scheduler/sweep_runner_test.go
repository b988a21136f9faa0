package scheduler_test

import (
	"context"
	"errors"
	"log/slog"
	"sync"
	"testing"
	"time"

	"github.com/visitwright/visitwright/scheduler"
	"github.com/visitwright/visitwright/store"
)

// unlucky is a store whose look for expired bookings panics.
type unlucky struct {
	*store.Store
	mu    sync.Mutex
	tried int
}

func (u *unlucky) EndExpired(context.Context, int) (int, error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	u.tried++
	panic("broken")
}

func (x *follows) runner(s scheduler.FollowUpStore) *scheduler.Runner {
	x.Helper()
	f, err := scheduler.NewFollowUps(x.diary, s)
	x.must(err)
	r, err := scheduler.NewRunner(scheduler.RunnerConfig{FollowUps: f, Log: slog.New(slog.DiscardHandler), Now: x.clock.Now,
		Sender: &scheduler.Sender{FollowUps: f, Channels: x.sender.Channels, Worker: "runner"}})
	x.must(err)
	return r
}

func TestAPanicInOneJobHarmsNoOtherAndTheJobRunsAgain(t *testing.T) {
	x := newFollows(t, options{})
	bad := &unlucky{Store: x.store}
	r := x.runner(bad)
	for range 3 {
		for _, id := range []string{scheduler.JobProvisional, scheduler.JobFollowUps, scheduler.JobMessages, scheduler.JobRetention} {
			r.Run(t.Context(), id)
		}
		x.clock.Advance(time.Hour)
	}
	jobs, err := x.store.ListJobs(t.Context())
	x.must(err)
	for _, j := range jobs {
		want := int64(0)
		if j.ID == scheduler.JobProvisional {
			want = 3
		}
		if j.Failures != want || j.InARow != want || (want == 0) == j.Success.IsZero() {
			t.Errorf("%+v, want %d failures", j, want)
		}
	}
	if len(jobs) != 4 || bad.tried != 3 {
		t.Errorf("%d jobs, the broken one ran %d times", len(jobs), bad.tried)
	}
}

func TestTwoReplicasNeverRunOneJobTwice(t *testing.T) {
	x := newFollows(t, options{})
	bad := &unlucky{Store: x.store}
	one, two := x.runner(bad), x.runner(bad)
	for minute := range 20 {
		var wait sync.WaitGroup
		for _, r := range []*scheduler.Runner{one, two} {
			wait.Add(1)
			go func() { defer wait.Done(); r.Run(context.WithoutCancel(t.Context()), scheduler.JobProvisional) }()
		}
		wait.Wait()
		if bad.tried != minute+1 {
			t.Fatalf("after %d minutes the job ran %d times", minute+1, bad.tried)
		}
		x.clock.Advance(time.Minute)
	}
}

// A stopped runner does nothing more; one that starts catches up at once with
// what was missed, without waiting for its first tick.
func TestStartCatchesUpAndStopWaits(t *testing.T) {
	x := newFollows(t, options{zone: "Europe/London", now: filledOn})
	x.writes()
	x.filled()
	x.clock.Advance(200 * 24 * time.Hour) // the server was down for half a year
	r := x.runner(x.store)
	for range 20 {
		r.Start()
		r.Start()
		r.Stop()
		r.Stop()
	}
	r = x.runner(x.store)
	x.clock.Advance(time.Hour)
	r.Run(t.Context(), scheduler.JobFollowUps)
	r.Run(t.Context(), scheduler.JobMessages)
	jobs, err := x.store.ListJobs(t.Context())
	x.must(err)
	if len(jobs) == 0 {
		t.Fatal(errors.New("no job ran"))
	}
	if len(x.list("")) == 0 {
		t.Error("nothing is due after half a year")
	}
	// The restoration asked for in September 2026 no longer helps; the review
	// invitations of February 2027 do. One routine message a day.
	if got := x.post.take(); len(got) > 1 {
		t.Errorf("%d letters on one day: %v", len(got), kinds(got))
	}
}
