package attack_test

import (
	"slices"
	"testing"
	"time"

	"github.com/anishathalye/porcupine"
)

// op is one operation on one day of the diary: book a place, or give it up.
type op struct {
	day, from, to                   int // cells of five minutes
	clinician, room, nurse, patient int
	noScope                         bool // without the microscope
	cancel                          bool
	booking                         string // id, once it is known
}

// meets reports whether two bookings cannot both be: they share a clinician, a
// room, a nurse, a patient or the microscope at one time. It is written anew
// from what a booking holds, apart from the program.
func (o op) meets(p op) bool {
	if o.day != p.day {
		return false
	}
	together := o.from < p.to && p.from < o.to
	if together && (o.clinician == p.clinician || o.room == p.room || o.nurse == p.nurse || o.patient == p.patient) {
		return true
	}
	return !o.noScope && !p.noScope && o.from+accessFrom < p.to && p.from+accessFrom < o.to
}

// answer is what a client heard in the end.
type answer bool

const (
	done    answer = true
	refused answer = false
)

// diaryModel is one day as the list of what is booked on it. A booking is
// answered when it meets nothing, and refused when it meets something; giving up
// always succeeds.
var diaryModel = porcupine.Model{
	Partition: func(history []porcupine.Operation) [][]porcupine.Operation {
		byDay := map[int][]porcupine.Operation{}
		last := 0
		for _, o := range history {
			day := o.Input.(op).day
			byDay[day] = append(byDay[day], o)
			last = max(last, day)
		}
		var out [][]porcupine.Operation
		for day := range last + 1 {
			if len(byDay[day]) > 0 {
				out = append(out, byDay[day])
			}
		}
		return out
	},
	Init: func() any { return []op(nil) },
	Step: func(state, input, output any) (bool, any) {
		day, o, a := state.([]op), input.(op), output.(answer)
		if o.cancel {
			i := slices.IndexFunc(day, func(p op) bool { return p.booking == o.booking })
			if i < 0 {
				return false, day
			}
			return true, slices.Delete(slices.Clone(day), i, i+1)
		}
		meets := slices.ContainsFunc(day, o.meets)
		if a == refused {
			return meets, day
		}
		if meets {
			return false, day
		}
		i, _ := slices.BinarySearchFunc(day, o, func(x, y op) int {
			if x.booking < y.booking {
				return -1
			} else if x.booking > y.booking {
				return 1
			}
			return 0
		})
		return true, slices.Insert(slices.Clone(day), i, o)
	},
	Equal: func(a, b any) bool { return slices.Equal(a.([]op), b.([]op)) },
}

const checkTimeout = 60 * time.Second

// mostAtOnce bounds how many operations of one day, of those that the checker is
// given, are under way at one moment: its search grows with that without bound.
const mostAtOnce = 7

// searchable leaves out refusals where too many operations were under way at
// once. A refusal changes nothing, so that the rest is still a history; each of
// those left out is looked at by itself in unfounded.
func searchable(history []porcupine.Operation) []porcupine.Operation {
	var out []porcupine.Operation
	byDay := map[int][]porcupine.Operation{}
	keep := func(o porcupine.Operation) {
		out = append(out, o)
		byDay[o.Input.(op).day] = append(byDay[o.Input.(op).day], o)
	}
	for _, o := range history {
		if o.Output.(answer) == done {
			keep(o)
		}
	}
	for _, o := range history {
		if o.Output.(answer) == done {
			continue
		}
		beside := 0
		for _, p := range byDay[o.Input.(op).day] {
			if p.Call < o.Return && o.Call < p.Return {
				beside++
			}
		}
		if beside < mostAtOnce {
			keep(o)
		}
	}
	return out
}

// unfounded counts refusals for which nothing stood in the way at any moment
// between call and answer, however the moments of the others are chosen.
func unfounded(history []porcupine.Operation) int {
	type stay struct {
		op
		from, to int64 // the longest that it can have been there
	}
	byDay := map[int][]*stay{}
	byBooking := map[string]*stay{}
	for _, o := range history {
		if in := o.Input.(op); o.Output.(answer) == done && !in.cancel {
			s := &stay{in, o.Call, 1 << 62}
			byDay[in.day], byBooking[in.booking] = append(byDay[in.day], s), s
		}
	}
	for _, o := range history {
		if in := o.Input.(op); in.cancel && byBooking[in.booking] != nil {
			byBooking[in.booking].to = o.Return
		}
	}
	n := 0
	for _, o := range history {
		if o.Output.(answer) == done {
			continue
		}
		in := o.Input.(op)
		if !slices.ContainsFunc(byDay[in.day], func(s *stay) bool { return s.from < o.Return && o.Call < s.to && s.meets(in) }) {
			n++
		}
	}
	return n
}

// linearizable reports whether the history could have happened one operation
// after the other, each at some moment between its call and its answer.
func linearizable(t testing.TB, history []porcupine.Operation) bool {
	t.Helper()
	if n := unfounded(history); n > 0 {
		t.Logf("%d refusals without anything in the way", n)
		return false
	}
	result, _ := porcupine.CheckOperationsVerbose(diaryModel, searchable(history), checkTimeout)
	if result == porcupine.Unknown {
		t.Fatal("the history was not checked in time")
	}
	return result == porcupine.Ok
}

// The checker itself sees a double booking, a refusal without a reason, and a
// place given up that nobody had.
func TestTheCheckerSeesWhatIsWrong(t *testing.T) {
	a := op{from: 100, to: 106, booking: "a"}
	b := op{from: 103, to: 109, room: 1, nurse: 1, patient: 1, booking: "b"} // the same clinician
	free := op{from: 120, to: 126, booking: "c"}
	scope := op{from: 106, to: 112, clinician: 1, room: 1, nurse: 1, patient: 1, booking: "d"} // the microscope from 108 on: free
	gone := a
	gone.cancel = true
	for name, x := range map[string]struct {
		ops  []op
		said []answer
		fine bool
	}{
		"one after the other":          {[]op{a, free}, []answer{done, done}, true},
		"a clinician at two places":    {[]op{a, b}, []answer{done, done}, false},
		"refused, and rightly":         {[]op{a, b}, []answer{done, refused}, true},
		"refused without cause":        {[]op{a, free}, []answer{done, refused}, false},
		"the microscope passed on":     {[]op{a, scope}, []answer{done, done}, true},
		"given up, then booked anew":   {[]op{a, gone, b}, []answer{done, done, done}, true},
		"given up twice":               {[]op{a, gone, gone}, []answer{done, done, done}, false},
		"refused though it was vacant": {[]op{a, gone, b}, []answer{done, done, refused}, false},
	} {
		var history []porcupine.Operation
		for i, o := range x.ops {
			history = append(history, porcupine.Operation{Input: o, Output: x.said[i], Call: int64(10 * i), Return: int64(10*i + 5)})
		}
		if got := linearizable(t, history); got != x.fine {
			t.Errorf("%s: the checker says %t, want %t", name, got, x.fine)
		}
	}
}
