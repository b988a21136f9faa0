package diary

import (
	"encoding/binary"
	"math"
	"sync"
	"sync/atomic"
)

// floors remembers, for one kind of visit, the least capacity that it loses on
// each day with each clinician, as earlier searches found it. A later search
// for the same kind of visit, whatever its wishes and windows, opens a day only
// when that least comes up. A day that has changed since is not known: its
// masks are others.
type floors struct{ days []atomic.Pointer[floor] }

// floor is what was found on one day. It is never changed.
type floor struct {
	masks *Mask // the first of the masks that were searched: they tell one state of a day from another
	least int32 // of all clinicians
	with  []int32
}

// nowhere is the floor of a day, or a clinician, without a place.
const nowhere = math.MaxInt32

// knownFloors are the floors of all kinds of visits that were searched for. All
// versions of a practice's masks share it.
type knownFloors struct {
	mu sync.RWMutex
	of map[string]*floors
}

// mostFloors bounds them: a practice has a few dozen kinds of visits at most,
// by lengths, parts and clinicians.
const mostFloors = 64

func (k *knownFloors) get(key []byte, days int) *floors {
	k.mu.RLock()
	f := k.of[string(key)]
	k.mu.RUnlock()
	if f != nil {
		return f
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	if f = k.of[string(key)]; f == nil {
		if k.of == nil || len(k.of) >= mostFloors {
			k.of = map[string]*floors{}
		}
		f = &floors{days: make([]atomic.Pointer[floor], days)}
		k.of[string(key)] = f
	}
	return f
}

// on returns what is known of a day as these masks have it; nil for nothing.
func (f *floors) on(day int, masks []Mask) *floor {
	if f == nil {
		return nil
	}
	if known := f.days[day].Load(); known != nil && known.masks == &masks[0] {
		return known
	}
	return nil
}

// prepareFloors finds what is known of the visits sought. Two visits on a day
// are priced together, which no floor of one of them bounds; and with
// FirstAvailable capacity costs nothing.
func (f *finder) prepareFloors() {
	f.floors = f.floors[:0]
	for v := range f.wants {
		f.floors = append(f.floors, nil)
		if v > 0 && f.wants[v].window.Earliest == 0 {
			clear(f.floors)
			f.paired = true
		}
	}
	if f.paired || f.minute || f.m.floors == nil {
		return
	}
	for v := range f.wants {
		f.key = f.wants[v].key(f.key[:0], &f.w, f.suits.step)
		f.floors[v] = f.m.floors.get(f.key, len(f.m.days))
	}
	for v := len(f.wants) - 1; v >= 0; v-- {
		f.rest[v] = max(f.rest[v], f.rest[v+1]+f.leastKnown(v))
	}
}

// leastKnown is the least that a visit loses on any day that the search may
// open, or 0 while one of those days is not known.
func (f *finder) leastKnown(v int) int {
	from := max(0, f.today, f.suits.least)
	for _, w := range f.wants[1 : v+1] {
		from += w.window.Earliest
	}
	least := int32(nowhere)
	for i := from; i <= f.suits.most; i++ {
		known := f.floors[v].on(i, f.m.days[i].masks(f.now, f.req.Emergency))
		if known == nil {
			return 0
		}
		least = min(least, known.least)
	}
	if least == nowhere {
		return 0
	}
	return int(least)
}

// learn keeps what a day's candidates lose. They are all that the day has: no
// wish of the patient left any out.
func (f *finder) learn(v, day int, masks []Mask, cands []cand) {
	if f.floors[v] == nil {
		return
	}
	first := f.m.first[KindClinician]
	k := &floor{masks: &masks[0], least: nowhere, with: make([]int32, len(f.m.practice.Clinicians))}
	for i := range k.with {
		k.with[i] = nowhere
	}
	for i := range cands {
		c := &cands[i]
		with := &k.with[int(c.clin)-first]
		*with = min(*with, int32(c.cost))
		k.least = min(k.least, *with)
	}
	f.floors[v].days[day].Store(k)
}

// key tells one kind of visit from another: by all that the cost of its places
// depends on, but for what is free.
func (w *want) key(b []byte, weights *Weights, step int) []byte {
	put := func(n int) { b = binary.AppendVarint(b, int64(n)) }
	parts := func(list []stretch) {
		put(len(list))
		for _, s := range list {
			put(s.from)
			put(s.to)
		}
	}
	indexes := func(list []int) {
		put(len(list))
		for _, i := range list {
			put(i)
		}
	}
	for _, n := range []int{w.chair, step, weights.Room, weights.Clinician, weights.Nurse, weights.Unit} {
		put(n)
	}
	parts(w.room)
	parts(w.clinician)
	parts(w.nurse)
	indexes(w.rooms)
	indexes(w.clinicians)
	put(len(w.kinds))
	for i := range w.kinds {
		put(len(w.kinds[i].name))
		b = append(b, w.kinds[i].name...)
		parts(w.kinds[i].parts)
	}
	return b
}
