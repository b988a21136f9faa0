// Package fortnight plays an invented practice: two weeks of its diary, cases
// in every state, a visit that runs, what is due and what was forgotten. It does
// so as the people of a practice would, through the gRPC services alone, on a
// clock that it moves from one event to the next.
//
// The practice and its cases are testdata/demo/practice.json and cases.json,
// with moments counted from the day of the demo; this package knows how each
// kind of scene is played.
package fortnight

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sort"
	"time"

	client "github.com/visitwright/visitwright/clients/go"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// House is the service on which the practice is played.
type House struct {
	// Practice is the practice's id.
	Practice string
	// Clock is the clock of the service. It stands at the moment that Start
	// gave, or before it; Play moves it.
	Clock *Clock
	// Now is the moment of the demo, as Start gave it.
	Now time.Time
	// Reception, Nurse, Clinician and Manager speak to the service as these.
	Reception, Nurse, Clinician, Manager *client.Client
}

// Played is what came of it.
type Played struct {
	// Try is the case that is left for the user to assess and book.
	Try string
	// Running is the visit in the chair.
	Running string
	// People can sign in, each with Passphrase.
	People []Person
}

// player plays the stories of all teeth on one clock.
type player struct {
	ctx                                  context.Context
	practice                             string
	clock                                *Clock
	now                                  time.Time // of the demo: nothing is played after it
	days                                 *calendar
	reception, nurse, clinician, manager *client.Client

	names    map[string]string // of people and rooms, by id or title
	kinds    map[string]vw.Resource_Kind
	worked   map[string][]*vw.HoursRule
	away     []away
	usual    map[string]string
	patients map[string]*vw.Patient
	others   []string // patients without a case
	queue    []act    // by moment
	played   Played
}

// Play furnishes the practice and plays every story up to now. It leaves the
// clock standing there.
func Play(ctx context.Context, h House) (Played, error) {
	days, err := newCalendar(h.Now, h.Now.Location())
	if err != nil {
		return Played{}, err
	}
	p := &player{ctx: ctx, practice: "practices/" + h.Practice, clock: h.Clock, now: h.Now, days: days,
		reception: h.Reception, nurse: h.Nurse, clinician: h.Clinician, manager: h.Manager,
		names: map[string]string{}, kinds: map[string]vw.Resource_Kind{}, worked: map[string][]*vw.HoursRule{}, patients: map[string]*vw.Patient{}}
	house, err := readHouse()
	if err != nil {
		return Played{}, err
	}
	if err := p.furnish(house); err != nil {
		return Played{}, err
	}
	// Passphrases are slow to keep, by design: that is done beside the stories.
	p.played.People = house.People
	entered := make(chan error, 1)
	go func() { entered <- p.letIn(house) }()
	err = p.stories(house)
	return p.played, errors.Join(err, <-entered)
}

// stories plays the stories of all teeth, and fills the diary around them.
func (p *player) stories(house *house) error {
	all, err := readCast()
	if err != nil {
		return err
	}
	p.usual = all.Usual
	if err := p.writes(house.Messages); err != nil {
		return err
	}
	for _, one := range all.Patients {
		if len(one.Teeth) == 0 {
			if err := p.other(one); err != nil {
				return err
			}
		}
		for _, t := range one.Teeth {
			if err := p.begin(one, t); err != nil {
				return err
			}
		}
	}
	if err := p.run(); err != nil {
		return err
	}
	return p.fill(house)
}

// Before is when the oldest story begins: the clock of the service starts no
// later.
func Before(now time.Time) time.Time { return now.AddDate(-yearsBack+1, 0, 0) }

// act is something that is done at a moment.
type act struct {
	at   time.Time
	what string
	do   func() error
}

// enqueue has something done at a moment; what lies after the demo's now is left
// to the user.
func (p *player) enqueue(at time.Time, what string, do func() error) {
	if at.After(p.now) {
		return
	}
	// Behind whatever else is done at that moment.
	i := sort.Search(len(p.queue), func(i int) bool { return p.queue[i].at.After(at) })
	p.queue = slices.Insert(p.queue, i, act{at, what, do})
}

func (p *player) run() error {
	for len(p.queue) > 0 {
		next := p.queue[0]
		p.queue = p.queue[1:]
		p.clock.set(next.at)
		if err := next.do(); err != nil {
			return fmt.Errorf("%s, %s: %w", next.at.Format("2006-01-02 15:04"), next.what, err)
		}
	}
	p.clock.set(p.now)
	return nil
}
