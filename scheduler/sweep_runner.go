package scheduler

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/robfig/cron/v3"
)

// Ids of the jobs.
const (
	JobFollowUps   = "follow-ups"
	JobProvisional = "provisional"
	JobMessages    = "messages"
	JobRetention   = "retention"
	JobReplans     = "replans"
)

// sweepTick wakes the jobs; each then asks the store whether it is due.
const sweepTick = 30 * time.Second

// job is one sweep. It derives its work from the data: a run that was missed
// costs nothing but time.
type job struct {
	id    string
	every time.Duration
	run   func(context.Context) (int, error)
}

// RunnerConfig is what a runner is built from.
type RunnerConfig struct {
	FollowUps *FollowUps
	Sender    *Sender // nil sends nothing
	// Replan plans cases anew whose latest date has passed, and says how many;
	// nil leaves that to others. It runs behind the follow-ups, which find them.
	Replan func(context.Context) (int, error)
	Log    *slog.Logger
	// Now is the clock by which runs are timed. Whether a job is due is the
	// store's clock's to say.
	Now func() time.Time
}

// Runner wakes the jobs. Cron is the tick and nothing more: what is due, and
// which replica does it, the store says.
type Runner struct {
	jobs []job
	c    RunnerConfig
	cron *cron.Cron

	mu      sync.Mutex
	stop    context.CancelFunc
	working sync.WaitGroup

	runs, failures, did *prometheus.CounterVec
	took                *prometheus.GaugeVec
	last                *prometheus.GaugeVec
}

// NewRunner builds a runner that does not run yet.
func NewRunner(c RunnerConfig) (*Runner, error) {
	if c.FollowUps == nil || c.Log == nil || c.Now == nil {
		return nil, errors.New("scheduler: follow-ups, log and clock are all needed")
	}
	r := &Runner{c: c}
	s := c.FollowUps.store
	r.jobs = []job{
		{JobFollowUps, time.Minute, func(ctx context.Context) (int, error) { return c.FollowUps.Refresh(ctx, "") }},
		{JobProvisional, time.Minute, func(ctx context.Context) (int, error) { return s.EndExpired(ctx, 1000) }},
		{JobRetention, time.Hour, func(ctx context.Context) (int, error) {
			if err := s.Tidy(ctx); err != nil {
				return 0, err
			}
			return s.Retain(ctx, 10000)
		}},
	}
	if c.Replan != nil {
		r.jobs = append(r.jobs, job{JobReplans, time.Minute, c.Replan})
	}
	if c.Sender != nil {
		r.jobs = append(r.jobs, job{JobMessages, time.Minute, r.send})
	}
	label := []string{"job"}
	r.runs = prometheus.NewCounterVec(prometheus.CounterOpts{Name: "visitwright_job_runs_total", Help: "Runs of a job on this replica."}, label)
	r.failures = prometheus.NewCounterVec(prometheus.CounterOpts{Name: "visitwright_job_failures_total", Help: "Runs that failed on this replica."}, label)
	r.did = prometheus.NewCounterVec(prometheus.CounterOpts{Name: "visitwright_job_things_total", Help: "Things a job did on this replica."}, label)
	r.took = prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "visitwright_job_seconds", Help: "Seconds that the last run took."}, label)
	r.last = prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "visitwright_job_last_success_seconds", Help: "When a job last ended well on this replica, seconds since 1970."}, label)
	return r, nil
}

// Collectors are the runner's metrics.
func (r *Runner) Collectors() []prometheus.Collector {
	return []prometheus.Collector{r.runs, r.failures, r.did, r.took, r.last}
}

func (r *Runner) send(ctx context.Context) (int, error) {
	total := 0
	for {
		n, err := r.c.Sender.Send(ctx, sweepBatch)
		total += n
		if err != nil || n < sweepBatch {
			return total, err
		}
	}
}

// Start catches up with what was missed and then wakes the jobs until Stop. A
// second Start without a Stop changes nothing.
func (r *Runner) Start() {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.stop != nil {
		return
	}
	ctx, stop := context.WithCancel(context.Background())
	r.stop = stop
	// In UTC, since cron's local times are skipped and doubled by clock changes.
	// Skip stands outside Recover: the other way round one panic would keep the
	// job from ever running again (robfig/cron v3.0.1).
	log := cronLog{r.c.Log}
	r.cron = cron.New(cron.WithLocation(time.UTC), cron.WithChain(cron.SkipIfStillRunning(log), cron.Recover(log)))
	for _, j := range r.jobs {
		r.cron.Schedule(cron.Every(sweepTick), cron.FuncJob(func() {
			if jitter(ctx, sweepTick/10) {
				r.Run(ctx, j.id)
			}
		}))
	}
	r.working.Add(1)
	go func() {
		defer r.working.Done()
		for _, j := range r.jobs {
			r.Run(ctx, j.id)
		}
	}()
	r.cron.Start()
}

// Stop ends the jobs and waits for those under way.
func (r *Runner) Stop() {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.stop == nil {
		return
	}
	r.stop()
	<-r.cron.Stop().Done()
	r.working.Wait()
	r.stop = nil
}

// jitter waits a random part of most, so that replicas do not wake as one; it
// is false when the runner stops meanwhile.
func jitter(ctx context.Context, most time.Duration) bool {
	t := time.NewTimer(rand.N(most))
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return true
	}
}

// Run runs one job if it is due and no other replica has it. A panic in it
// ends in the log and in its failures, and harms no other job.
func (r *Runner) Run(ctx context.Context, id string) {
	for _, j := range r.jobs {
		if j.id != id {
			continue
		}
		ours, err := r.c.FollowUps.store.BeginJob(ctx, j.id, j.every)
		if err != nil {
			r.c.Log.Error("job", "job", id, "error", err)
			return
		}
		if !ours {
			return
		}
		began := r.c.Now()
		did, err := guarded(ctx, j)
		took := r.c.Now().Sub(began)
		r.runs.WithLabelValues(id).Inc()
		r.did.WithLabelValues(id).Add(float64(did))
		r.took.WithLabelValues(id).Set(took.Seconds())
		if err != nil {
			r.failures.WithLabelValues(id).Inc()
			r.c.Log.Error("job", "job", id, "error", err)
		} else {
			r.last.WithLabelValues(id).Set(float64(r.c.Now().Unix()))
		}
		keep, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
		defer cancel()
		if err := r.c.FollowUps.store.EndJob(keep, id, took, did, err != nil); err != nil {
			r.c.Log.Error("job", "job", id, "error", err)
		}
		return
	}
}

func guarded(ctx context.Context, j job) (did int, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("job %s panicked: %T", j.id, p) // the value may hold a patient's data
		}
	}()
	return j.run(ctx)
}

// cronLog gives cron's own words to our log.
type cronLog struct{ log *slog.Logger }

func (l cronLog) Info(msg string, _ ...any) { l.log.Debug("cron", "said", msg) }
func (l cronLog) Error(err error, msg string, _ ...any) {
	l.log.Error("cron", "said", msg, "kind", fmt.Sprintf("%T", err))
}
