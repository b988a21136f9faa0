package diary

import (
	"slices"
	"sync"

	"github.com/visitwright/visitwright/scheduler/civil"
)

// Result is the answer to a Request.
type Result struct {
	// Offers, best first, in a total order: cost, then the starts of the visits
	// one by one, then the clinicians in the practice's order. An offer is a
	// set of (start, clinician); room, nurse and units are the best for it.
	Offers []Offer
	// Version of the diary that was searched.
	Version int64
}

// Search finds the best sets of places for the visits of the request that are
// not chosen yet. The error is a *FieldError; a request that fits nowhere has
// no offers and no error: ask Explain why.
//
// It is exact. Visits on different days share no capacity, so that the cost of
// a set is a sum along a path of (visit, day, clinician): a shortest-path
// problem in layers, of which the k best paths are drawn lazily, opening only
// the days whose least possible cost comes up. Two visits on one day are
// enumerated and scored together.
func (m *Masks) Search(req *Request) (Result, error) {
	out := Result{Version: m.version}
	if err := req.Validate(); err != nil {
		return out, err
	}
	around, err := m.around(req)
	if err != nil {
		return out, err
	}
	f := finders.Get().(*finder)
	defer finders.Put(f)
	f.prepare(around, req)
	if f.hopeless() {
		return out, nil
	}
	for j := range req.Best {
		it, ok := f.linked(f.root(), j)
		if !ok {
			break
		}
		out.Offers = append(out.Offers, f.offer(it))
	}
	f.reasons(out.Offers)
	return out, nil
}

// around returns the masks with what the chosen places hold taken out.
func (m *Masks) around(req *Request) (*Masks, error) {
	if len(req.Chosen) == 0 {
		return m, nil
	}
	made := make([]Booking, len(req.Chosen))
	for i, p := range req.Chosen {
		if !p.Chair.End.After(p.Chair.Start) {
			return nil, field("chosen", "place %d: want an end after the start", i)
		}
		made[i] = Booking{ID: "chosen", Chair: p.Chair, Holds: p.Holds}
	}
	out, err := m.apply(Change{Version: m.version, Made: made})
	if err != nil {
		return nil, field("chosen", "%v", err)
	}
	return out, nil
}

var finders = sync.Pool{New: func() any { return new(finder) }}

// finder is one search. Everything it computes is kept in slices that are used
// again by the next one.
type finder struct {
	m        *Masks
	req      *Request
	wants    []want
	base     int // index of the first visit sought in the request
	suits    suits
	now      int64
	today    int // index of the day of Now, below 0 when the masks begin later
	anchor   int
	k        int
	chosenOn []int     // days of the chosen places
	rest     []int     // by visit: the least that it and those after it can cost
	floors   []*floors // by visit: what earlier searches found; nil for nothing
	paired   bool      // two visits may share a day
	key      []byte
	seen     int // class of the clinician before, -1 when none
	w        Weights
	minute   bool // FirstAvailable

	classes  int // 1 when any clinician will do, else one for each clinician
	works    [VisitsTogether]work
	cands    []cand
	groups   []group
	nodes    []node
	dayNode  []int32 // by visit and day: 1 + index in nodes
	links    []link
	linkAt   []int32 // by visit, day and class: 1 + index in links
	streams  []stream
	paths    []path
	options  [VisitsTogether][]option
	holds    []Hold // of the offer that is being written
	units    []UnitUse
	unsorted []cand
	ranks    []rank
	pairs    []cand // second visits of a day
}

// cand is a (start, clinician) of one visit on one day with its best room,
// nurse and units.
type cand struct {
	cost  int // capacity lost, or minutes of the day with FirstAvailable; of a pair, everything
	least int // cost, and the least that the visits after it can cost
	lost  int // capacity lost by this visit; by the second of a pair, what it adds
	cell  int16
	class int16 // continuity class
	clin  int16 // resource indexes
	room  int16
	nurse int16
	units [MostEquipment]int16
	pair  int32 // index in the finder's pairs of a second visit on the same day, or -1
}

// node is the candidates of a visit on a day.
type node struct {
	first, last int32 // groups
}

// group is the candidates of a node in one class, cheapest first.
type group struct {
	class       int16
	stream      int32 // 1 + index in streams
	first, last int32 // cands
}

// path is a chain of visits from one on to the last, in a linked list.
type path struct {
	cost int
	day  int32
	cand int32
	next int32 // path of the visits after, or -1
}

// item is a path with what it costs to get to it.
type item struct {
	cost int
	path int32
}

func (f *finder) prepare(m *Masks, req *Request) {
	f.m, f.req, f.base = m, req, len(req.Chosen)
	f.now = req.Now.Unix()
	f.today = m.practice.Zone.Date(req.Now).DaysSince(m.days[0].date)
	f.anchor = f.today
	if !req.Anchor.IsZero() {
		f.anchor = req.Anchor.DaysSince(m.days[0].date)
	}
	f.k, f.w, f.minute = req.Best, req.Weights, req.FirstAvailable
	if req.OtherDays {
		f.k = 1 // of each day and class only the first can be in the best set of its days
	}
	if f.minute {
		f.w = Weights{}
	}
	f.wants = f.wants[:0]
	for i := f.base; i < len(req.Visits); i++ {
		f.wants = append(f.wants, m.wanted(&req.Visits[i]))
	}
	f.prepareRest()
	f.classes, f.seen = 1, -1
	if req.Continuity != AnyClinician {
		f.classes = len(m.practice.Clinicians)
		seen := req.Seen
		if f.base > 0 {
			seen = req.Chosen[f.base-1].Clinician
		}
		if i, ok := m.index[Ref{KindClinician, seen}]; ok {
			f.seen = i - m.first[KindClinician]
		}
	}
	f.prepareSuits()
	f.paired = false
	f.prepareFloors()
	if f.base > 0 {
		f.anchor = m.practice.Zone.Date(req.Chosen[f.base-1].Chair.Start).DaysSince(m.days[0].date)
	}
	days := len(m.days)
	f.dayNode = zeroed(f.dayNode, len(f.wants)*days)
	f.linkAt = zeroed(f.linkAt, len(f.wants)*days*f.classes)
	f.cands, f.groups, f.nodes = f.cands[:0], f.groups[:0], f.nodes[:0]
	f.links, f.streams, f.paths, f.pairs = f.links[:0], f.streams[:0], f.paths[:0], f.pairs[:0]
	f.chosenOn = f.chosenOn[:0]
	for _, p := range req.Chosen {
		f.chosenOn = append(f.chosenOn, m.practice.Zone.Date(p.Chair.Start).DaysSince(m.days[0].date))
	}
}

// prepareRest computes the least that the visits from each one on can cost: the
// capacity that a part loses in whatever gap it is placed.
func (f *finder) prepareRest() {
	n := len(f.wants)
	f.rest = append(f.rest[:0], make([]int, n+1)...)
	if f.minute {
		return
	}
	weights := [4]int{KindRoom: f.w.Room, KindClinician: f.w.Clinician, KindNurse: f.w.Nurse}
	for v := n - 1; v >= 0; v-- {
		w := &f.wants[v]
		sum := f.rest[v+1]
		for kind, weight := range weights {
			sum += weight * f.m.capacity.leastLost(int(w.least[kind]))
		}
		for j := range w.kinds {
			sum += f.w.Unit * f.m.capacity.leastLost(int(w.kinds[j].least))
		}
		f.rest[v] = sum
	}
}

func zeroed(s []int32, n int) []int32 {
	if cap(s) < n {
		return make([]int32, n)
	}
	s = s[:n]
	clear(s)
	return s
}

func (f *finder) prepareSuits() {
	req, m := f.req, f.m
	days := len(m.days)
	first := m.days[0].date
	s := &f.suits
	*s = suits{most: days - 1, spans: req.Wishes.Suits, notDays: s.notDays[:0], busyDays: s.busyDays[:0], patient: s.patient[:0]}
	s.setStep(req.StartStep)
	if d := req.Wishes.NotBefore; !d.IsZero() {
		s.least = max(0, d.DaysSince(first))
	}
	if d := req.Wishes.NotAfter; !d.IsZero() {
		s.most = min(s.most, d.DaysSince(first))
	}
	s.earliest = f.now + int64(req.Notice)*60
	for _, p := range req.Chosen {
		s.earliest = max(s.earliest, p.Chair.End.Unix())
	}
	s.notDays = flags(s.notDays, days, len(req.Wishes.Not) > 0)
	for _, r := range req.Wishes.Not {
		for i := max(0, r.First.DaysSince(first)); i <= min(days-1, r.Last.DaysSince(first)); i++ {
			s.notDays[i] = true
		}
	}
	s.patient = append(s.patient, req.Patient...)
	for _, p := range req.Chosen {
		s.patient = append(s.patient, p.Chair)
	}
	s.busyDays = flags(s.busyDays, days, len(s.patient) > 0)
	for _, p := range s.patient {
		f.markBusy(p)
	}
}

func flags(s []bool, n int, wanted bool) []bool {
	if !wanted {
		return nil
	}
	if cap(s) < n {
		return make([]bool, n)
	}
	s = s[:n]
	clear(s)
	return s
}

// markBusy notes the days on which the patient has another appointment.
func (f *finder) markBusy(p civil.Interval) {
	for i, d := range f.m.days {
		if d.start >= p.End.Unix() {
			return
		}
		if d.start+int64(d.cells)*Grid*60 > p.Start.Unix() {
			f.suits.busyDays[i] = true
		}
	}
}

// hopeless reports a request for which the practice has nobody or nothing.
func (f *finder) hopeless() bool {
	return slices.ContainsFunc(f.wants, func(w want) bool { return len(w.missing()) > 0 })
}

// missing names what a visit needs and no practice hours could give.
func (w *want) missing() []string {
	var out []string
	if len(w.clinicians) == 0 {
		out = append(out, "clinician")
	}
	if len(w.rooms) == 0 {
		out = append(out, "room")
	}
	if len(w.nurse) > 0 && len(w.nurses) == 0 {
		out = append(out, "nurse")
	}
	for _, k := range w.kinds {
		if len(k.units) == 0 {
			out = append(out, k.name)
		}
	}
	return out
}
