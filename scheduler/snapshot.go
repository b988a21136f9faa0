package scheduler

import (
	"context"
	"math/bits"
	"sync"
	"time"

	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
	"github.com/visitwright/visitwright/store"
)

// horizon is for how many local days from today places are looked for: a year
// and a week.
const horizon = 372

// snapshot is one practice's diary as it was at one version. It is never
// changed, so that searches need no lock.
type snapshot struct {
	setup    store.DiarySetup
	worked   worked
	practice *diary.Practice
	masks    *diary.Masks
	version  int64 // of the diary
	days     map[int64]store.DiaryDay
}

func (x *snapshot) zone() *civil.Zone { return x.practice.Zone }

// diaries keeps the last snapshot of each practice. It is a cache that is
// checked against the diary's version whenever it is asked for: a booking made
// on another replica is seen.
type diaries struct {
	mu   sync.Mutex
	each map[string]*oneDiary
}

type oneDiary struct {
	mu   sync.Mutex // held while the diary is read, so that one reader does it for all
	last *snapshot
}

func (d *diaries) of(practice string) *oneDiary {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.each == nil {
		d.each = map[string]*oneDiary{}
	}
	if d.each[practice] == nil {
		d.each[practice] = &oneDiary{}
	}
	return d.each[practice]
}

// snapshot returns the practice's diary as it is now.
func (s *Diary) snapshot(ctx context.Context, call store.Call) (*snapshot, error) {
	one := s.diaries.of(call.Practice)
	one.mu.Lock()
	defer one.mu.Unlock()
	next, err := s.fresh(ctx, call, one.last)
	if err != nil {
		return nil, err
	}
	one.last = next
	return next, nil
}

// lately returns the last snapshot without asking the store, or reads one when
// there is none for today. Its setup may be older than the store's: a booking
// made by it names the version it was checked by, and the store refuses it when
// that has passed.
func (s *Diary) lately(ctx context.Context, call store.Call) (*snapshot, error) {
	one := s.diaries.of(call.Practice)
	one.mu.Lock()
	last := one.last
	one.mu.Unlock()
	if last != nil && last.masks.Days().First == last.zone().Date(s.now()) {
		return last, nil
	}
	return s.snapshot(ctx, call)
}

func (s *Diary) fresh(ctx context.Context, call store.Call, last *snapshot) (*snapshot, error) {
	if last == nil || last.masks.Days().First != last.zone().Date(s.now()) {
		return s.cold(ctx, call)
	}
	from, to := utcDays(last.zone(), last.masks.Days())
	got, err := s.store.ReadDays(ctx, call, from, to, last.version)
	if err != nil {
		return nil, err
	}
	if got.SetupVersion != last.setup.Version {
		return s.cold(ctx, call)
	}
	if got.Version == last.version {
		return last, nil
	}
	return last.with(got)
}

// cold reads setup and days anew.
func (s *Diary) cold(ctx context.Context, call store.Call) (*snapshot, error) {
	setup, err := s.store.ReadSetup(ctx, call)
	if err != nil {
		return nil, err
	}
	out := &snapshot{setup: setup}
	if out.worked, err = s.workedOf(setup); err != nil {
		return nil, err
	}
	if out.practice, err = s.practiceOf(setup, out.worked); err != nil {
		return nil, err
	}
	first := out.zone().Date(s.now())
	from, to := utcDays(out.zone(), civil.DateRange{First: first, Last: first.AddDays(horizon - 1)})
	got, err := s.store.ReadDays(ctx, call, from, to, -1)
	if err != nil {
		return nil, err
	}
	known := out.known()
	out.days = make(map[int64]store.DiaryDay, len(got.Days))
	bookings := make([]diary.Booking, 0, len(got.Days))
	for _, d := range got.Days {
		out.days[d.Day] = d
		// About so many runs of occupied time does a resource have in a day.
		b := diary.Booking{Holds: make([]diary.Hold, 0, 8*len(d.Masks))}
		for ref, m := range d.Masks {
			if known[ref] {
				b.Holds = addHolds(b.Holds, d.Day, ref, &m)
			}
		}
		bookings = append(bookings, b)
	}
	out.version = got.Version
	out.masks, err = diary.Build(out.practice, first, horizon, 0, bookings)
	return out, err
}

// with returns the snapshot after some UTC days changed.
func (x *snapshot) with(got store.DiaryDays) (*snapshot, error) {
	out := *x
	out.version = got.Version
	out.days = make(map[int64]store.DiaryDay, len(x.days))
	for k, d := range x.days {
		out.days[k] = d
	}
	known := x.known()
	c := diary.Change{Version: x.masks.Version() + 1}
	made, ended := diary.Booking{}, diary.Booking{}
	for _, d := range got.Days {
		before := x.days[d.Day]
		for ref, m := range d.Masks {
			if was := before.Masks[ref]; was != m && known[ref] {
				ended.Holds = addHolds(ended.Holds, d.Day, ref, &was)
				made.Holds = addHolds(made.Holds, d.Day, ref, &m)
			}
		}
		for ref, was := range before.Masks {
			if _, still := d.Masks[ref]; !still && known[ref] {
				ended.Holds = addHolds(ended.Holds, d.Day, ref, &was)
			}
		}
		out.days[d.Day] = d
	}
	c.Made, c.Ended = []diary.Booking{made}, []diary.Booking{ended}
	var err error
	out.masks, err = x.masks.With(c)
	return &out, err
}

// without returns the snapshot as if some appointments were gone: what they
// hold is free for the one that takes their place. Where an appointment of
// another system lies over one of them, the store has the last word.
func (x *snapshot) without(gone []store.Appointment) (*snapshot, error) {
	changed := map[int64]map[store.ResourceRef]store.Mask{}
	for _, a := range gone {
		for _, p := range a.Spans {
			for day := dayOf(p.Start); day <= dayOf(p.End.Add(-1)); day++ {
				if changed[day] == nil {
					changed[day] = map[store.ResourceRef]store.Mask{}
				}
				m, begun := changed[day][p.ResourceRef]
				if !begun {
					m = x.days[day].Masks[p.ResourceRef]
				}
				changed[day][p.ResourceRef] = cleared(m, day, p)
			}
		}
	}
	got := store.DiaryDays{Version: x.version}
	for day, masks := range changed {
		d := store.DiaryDay{Day: day, Masks: map[store.ResourceRef]store.Mask{}}
		for ref, m := range x.days[day].Masks {
			d.Masks[ref] = m
		}
		for ref, m := range masks {
			d.Masks[ref] = m
		}
		got.Days = append(got.Days, d)
	}
	return x.with(got)
}

func cleared(m store.Mask, day int64, p store.Span) store.Mask {
	begin := time.Unix(day*86400, 0)
	from := max(0, int(p.Start.Sub(begin)/time.Minute)/store.CellMinutes)
	to := min(store.CellsPerDay, (int(p.End.Sub(begin)/time.Minute)+store.CellMinutes-1)/store.CellMinutes)
	for i := from; i < to; i++ {
		m[i>>3] &^= 1 << (i & 7)
	}
	return m
}

// known is what the pure diary knows of: everything in use.
func (x *snapshot) known() map[store.ResourceRef]bool {
	out := make(map[store.ResourceRef]bool, len(x.setup.Resources)+len(x.setup.Clinicians))
	for _, r := range x.setup.Resources {
		out[r.ResourceRef] = r.Active
	}
	for _, c := range x.setup.Clinicians {
		out[store.ResourceRef{Kind: store.KindClinician, ID: c.ID}] = c.Active
	}
	return out
}

// utcDays are the UTC days that a range of local days touches.
func utcDays(z *civil.Zone, r civil.DateRange) (from, to int64) {
	return dayOf(z.Day(r.First).Start), dayOf(z.Day(r.Last).End.Add(-1))
}

func dayOf(t time.Time) int64 {
	u := t.Unix()
	d := u / 86400
	if u%86400 < 0 {
		d--
	}
	return d
}

// addHolds turns the occupied cells of one UTC day into holds, one for each run.
func addHolds(out []diary.Hold, day int64, ref store.ResourceRef, m *store.Mask) []diary.Hold {
	r := diary.Ref{Kind: kindToDiary[ref.Kind], ID: ref.ID}
	at := func(cell int) time.Time { return time.Unix(day*86400+int64(cell)*store.CellMinutes*60, 0).UTC() }
	for i := 0; i < store.CellsPerDay; {
		if i&7 == 0 && m[i>>3] == 0 {
			i += 8
			continue
		}
		if !m.Busy(i) {
			i += min(8-i&7, bits.TrailingZeros8(m[i>>3]>>(i&7))) // to the next occupied cell of this byte, or to its end
			continue
		}
		from := i
		for i < store.CellsPerDay && m.Busy(i) {
			i++
		}
		out = append(out, diary.Hold{Resource: r, Time: civil.Interval{Start: at(from), End: at(i)}})
	}
	return out
}
