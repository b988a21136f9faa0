package scheduler_test

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/visitwright/visitwright/scheduler"
	"github.com/visitwright/visitwright/scheduler/channel"
	"github.com/visitwright/visitwright/scheduler/channel/sinktest"
	"github.com/visitwright/visitwright/store"
)

// stormSize is the number of reminders of the test with two replicas; the full
// size takes some minutes: VISITWRIGHT_STORM=10000.
func stormSize() int { return numberOf("VISITWRIGHT_STORM", 400) }

// numberOf is a number above 0 from the environment.
func numberOf(name string, usual int) int {
	if n, err := strconv.Atoi(os.Getenv(name)); err == nil && n > 0 {
		return n
	}
	return usual
}

// stormKills is how often one replica is killed.
const stormKills = 5

// killer kills a replica at moments drawn at random, early enough that it has
// all its lives to lose.
type killer struct {
	random *rand.Rand
	rarely int // one moment in so many
	kills  map[scheduler.Moment]int
	total  int
}

func (k *killer) dies(at scheduler.Moment) error {
	if k.total == stormKills || k.random.IntN(k.rarely) > 0 {
		return nil
	}
	k.total++
	k.kills[at]++
	return errors.New("killed")
}

// Reminders over two replicas and a real SMTP server that fails every tenth
// letter; one replica is killed five times at random. VISITWRIGHT_SEED draws
// other moments.
func TestRemindersOverTwoReplicasWithOneKilledFiveTimes(t *testing.T) {
	onBothStores(t, reminderStorm)
}

func reminderStorm(t *testing.T, postgres bool) {
	n, seed := stormSize(), numberOf("VISITWRIGHT_SEED", 1)
	x := newFollows(t, options{postgres: postgres})
	x.writes()
	sink := sinktest.New(t)
	sink.Behave(sinktest.Behaviour{FailEvery: 10})
	x.sender.Channels = scheduler.Channels{"email": channel.SMTP{Host: sink.Host, Port: sink.Port, From: "desk@practice.example", TLS: sink.TLS()}}
	x.owe(n)
	k := &killer{random: rand.New(rand.NewPCG(uint64(seed), 0)), rarely: max(4, n/20), kills: map[scheduler.Moment]int{}}
	second := x.service(x.start())
	life := 0
	began := time.Now()
	for round := 0; ; round++ {
		var wait sync.WaitGroup
		did, ends := [2]int{}, [2]error{}
		for i, s := range []*scheduler.Sender{x.sender, {FollowUps: second, Channels: x.sender.Channels, Worker: fmt.Sprintf("w2-%d", life), Dies: k.dies}} {
			wait.Add(1)
			go func() {
				defer wait.Done()
				did[i], ends[i] = s.Send(context.WithoutCancel(t.Context()), [2]int{max(4, n/400), max(20, n/100)}[i])
			}()
		}
		wait.Wait()
		x.must(ends[0])
		if ends[1] != nil {
			life++ // it leaves its work to the lease, and starts anew under another name
		}
		if did[0]+did[1] > 0 {
			continue
		}
		if len(x.messages("claimed"))+len(x.messages("sending"))+len(x.messages("waiting")) == 0 {
			break
		}
		if round > 20*n {
			t.Fatal("there is no end to it")
		}
		x.clock.Advance(3 * time.Minute) // leases end, retries fall due
	}
	got := sink.State()
	double := 0
	for _, times := range got.Taken {
		double += times - 1
	}
	t.Logf("%d reminders in %.0f s: %d offered at the wire, %d of them failed there, %d came twice under one Message-ID, killed %d times (%v), seed %d",
		n, time.Since(began).Seconds(), got.Offered, got.Offered-got.Wire, double, k.total, k.kills, seed)
	if len(got.Mailbox) != n || k.total != stormKills {
		t.Errorf("%d of %d shown to a receiver that honours the Message-ID, %d kills", len(got.Mailbox), n, k.total)
	}
	if got.Offered/10 != got.Offered-got.Wire {
		t.Errorf("%d of %d failed, want every tenth", got.Offered-got.Wire, got.Offered)
	}
	if after := k.kills[scheduler.AfterTaken] + k.kills[scheduler.BeforeCommit]; double > after {
		t.Errorf("%d came twice, and only %d kills were after the letter was taken", double, after)
	}
	if failed := x.messages("failed"); len(failed) != 0 {
		t.Errorf("failed: %v", failed)
	}
}

// owe plans n messages to one patient, due at once.
func (x *follows) owe(n int) {
	x.Helper()
	var left []store.NewMessage
	now := x.clock.Now()
	for i := range n {
		left = append(left, store.NewMessage{Occasion: fmt.Sprintf("test/%d", i), PatientID: x.patientID, Kind: "moved", NotBefore: now, UselessAt: now.Add(2400 * time.Hour)})
	}
	_, err := x.byHand(x.Context(), x.patient, "2026-01-15 09:00", 60)
	x.must(err)
	_, err = x.store.TakeCauses(x.Context(), willow, 100, func(context.Context, string, store.Appointment, []store.Message, time.Time) ([]store.NewMessage, error) {
		out := left
		left = nil
		return out, nil
	})
	x.must(err)
}

// Whatever the moment at which a replica dies, a real SMTP server gets the
// letter, and a receiver that honours its Message-ID shows it once.
func TestEachKillPointAgainstARealMailServer(t *testing.T) {
	for _, row := range []struct {
		at    scheduler.Moment
		taken int
	}{{scheduler.AfterClaim, 1}, {scheduler.BeforeData, 1}, {scheduler.AfterTaken, 2}, {scheduler.BeforeCommit, 2}} {
		t.Run(string(row.at), func(t *testing.T) {
			x := newFollows(t, options{})
			x.writes()
			sink := sinktest.New(t)
			x.sender.Channels = scheduler.Channels{"email": channel.SMTP{Host: sink.Host, Port: sink.Port, From: "desk@practice.example", TLS: sink.TLS()}}
			x.owe(1)
			died := false
			x.sender.Dies = func(at scheduler.Moment) error {
				if at != row.at || died {
					return nil
				}
				died = true
				return errors.New("killed")
			}
			if _, err := x.sender.Send(t.Context(), 10); err == nil {
				t.Fatal("the worker lived on")
			}
			for range 3 {
				x.clock.Advance(3 * time.Minute)
				_, err := x.sender.Send(t.Context(), 10)
				x.must(err)
			}
			got := sink.State()
			if got.Wire != row.taken || len(got.Mailbox) != 1 {
				t.Errorf("taken %d times, want %d, shown %d times", got.Wire, row.taken, len(got.Mailbox))
			}
		})
	}
}
