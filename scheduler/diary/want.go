package diary

import (
	"slices"

	"github.com/visitwright/visitwright/scheduler/civil"
)

// want is a Visit in the package's own terms: cells and resource indexes.
type want struct {
	chair                  int // cells
	room, clinician, nurse []stretch
	least                  [4]int16 // cells that a resource of each kind must have free in one stretch
	kinds                  []wantedKind
	rooms                  []int
	clinicians             []int
	nurses                 []int
	window                 Window
	companion              bool
}

// wantedKind is a kind of equipment that a visit needs one unit of.
type wantedKind struct {
	name   string
	parts  []stretch
	least  int16 // cells free in one stretch
	units  []int
	serves [][]int // by position in want.rooms: positions in units
}

// wanted translates the visit. Lists that come out empty mean that nothing in
// the practice will do.
func (m *Masks) wanted(v *Visit) want {
	p := m.practice
	w := want{chair: v.Minutes / Grid, window: v.Window, companion: v.Companion}
	for _, part := range v.Parts {
		s := stretch{floorCell(part.From), floorCell(part.To)}
		switch part.Needs {
		case KindRoom:
			w.room = append(w.room, s)
		case KindClinician:
			w.clinician = append(w.clinician, s)
		case KindNurse:
			w.nurse = append(w.nurse, s)
		case KindUnit:
			i := slices.IndexFunc(w.kinds, func(k wantedKind) bool { return k.name == part.Equipment })
			if i < 0 {
				i = len(w.kinds)
				w.kinds = append(w.kinds, wantedKind{name: part.Equipment})
			}
			w.kinds[i].parts = append(w.kinds[i].parts, s)
			w.kinds[i].least = max(w.kinds[i].least, int16(s.to-s.from))
		}
		w.least[part.Needs] = max(w.least[part.Needs], int16(s.to-s.from))
	}
	inOrder(w.room)
	inOrder(w.clinician)
	inOrder(w.nurse)
	for i, r := range p.Rooms {
		if len(v.Rooms) == 0 || slices.Contains(v.Rooms, r.ID) {
			w.rooms = append(w.rooms, m.first[KindRoom]+i)
		}
	}
	for i, c := range p.Clinicians {
		if slices.Contains(c.Protocols, v.Protocol) && (len(v.Clinicians) == 0 || slices.Contains(v.Clinicians, c.ID)) {
			w.clinicians = append(w.clinicians, m.first[KindClinician]+i)
		}
	}
	if len(w.nurse) > 0 {
		for i := range p.Nurses {
			w.nurses = append(w.nurses, m.first[KindNurse]+i)
		}
	}
	for k := range w.kinds {
		kind := &w.kinds[k]
		inOrder(kind.parts)
		kind.serves = make([][]int, len(w.rooms))
		for i, u := range p.Units {
			if u.Kind != kind.name {
				continue
			}
			kind.units = append(kind.units, m.first[KindUnit]+i)
			for at, r := range w.rooms {
				if len(u.Rooms) == 0 || slices.Contains(u.Rooms, p.Rooms[r].ID) {
					kind.serves[at] = append(kind.serves[at], len(kind.units)-1)
				}
			}
		}
	}
	return w
}

func inOrder(parts []stretch) {
	slices.SortFunc(parts, func(a, b stretch) int { return a.from - b.from })
}

func floorCell(minutes int) int {
	if minutes < 0 {
		return -((-minutes + Grid - 1) / Grid)
	}
	return minutes / Grid
}

// starts returns the cells at which a visit can begin when the resource is free
// as m says: every part lies in free cells. Only words lo to hi of the answer
// are computed; the others are zero.
func starts(m *Mask, parts []stretch, lo, hi int) Mask {
	var out Mask
	for i, p := range parts {
		// t holds the cells from the first wanted start's part on, so that a
		// part's offset costs nothing but the load; n-1 further cells are needed
		// to see the runs of the last start.
		var t [2*words + 1]uint64
		n := p.to - p.from
		wide := hi - lo + 1 + (n+62)/64
		from := lo*64 + p.from
		for j := 0; j < wide; j++ {
			t[j] = m.word(from + 64*j)
		}
		for have := 1; have < n; {
			// At most 63 cells at a time, so that a shift reaches one word only.
			step := min(have, n-have, 63)
			down, up := uint(step)&63, uint(64-step)&63
			this := t[0]
			for j := 0; j < wide; j++ {
				next := t[j+1]
				t[j] = this & (this>>down | next<<up)
				this = next
			}
			have += step
		}
		if i == 0 {
			copy(out[lo:hi+1], t[:])
			continue
		}
		for w := lo; w <= hi; w++ {
			out[w] &= t[w-lo]
		}
	}
	return out
}

// word returns 64 cells from i on; cells outside the day are not set.
func (m *Mask) word(i int) uint64 {
	w, by := i>>6, uint(i)&63
	var out uint64
	if w >= 0 && w < words {
		out = m[w] >> by
	}
	if by > 0 && w+1 >= 0 && w+1 < words {
		out |= m[w+1] << (64 - by)
	}
	return out
}

// bounds returns the first and the last word of the mask that is not zero.
func (m *Mask) bounds() (lo, hi int) {
	for lo < words-1 && m[lo] == 0 {
		lo++
	}
	for hi = words - 1; hi > lo && m[hi] == 0; {
		hi--
	}
	return lo, hi
}

// work is what can begin when on one day for one visit, by resource.
type work struct {
	any       Mask // some set of resources is free
	clinician []Mask
	nurse     []Mask
	room      []Mask // with a unit of each kind that serves the room
	unit      [][]Mask
}

func resize(s []Mask, n int) []Mask {
	if cap(s) < n {
		return make([]Mask, n)
	}
	return s[:n]
}

// fill computes the starts of the day out of the free masks. allow are the
// starts that suit the patient. It reports whether there is any.
func (k *work) fill(w *want, d *day, masks []Mask, allow *Mask) bool {
	for kind, least := range w.least {
		if d.most[kind] < least {
			return false
		}
	}
	lo, hi := allow.bounds()
	k.any = Mask{}
	k.clinician = resize(k.clinician, len(w.clinicians))
	for i, c := range w.clinicians {
		if d.longest[c] < w.least[KindClinician] {
			k.clinician[i] = Mask{}
			continue
		}
		s := starts(&masks[c], w.clinician, lo, hi)
		s = s.And(allow)
		k.clinician[i] = s
		k.any = k.any.Or(&s)
	}
	if k.any.Empty() {
		return false
	}
	lo, hi = k.any.bounds()
	if len(w.nurse) > 0 {
		var some Mask
		k.nurse = resize(k.nurse, len(w.nurses))
		for i, n := range w.nurses {
			if d.longest[n] < w.least[KindNurse] {
				k.nurse[i] = Mask{}
				continue
			}
			s := starts(&masks[n], w.nurse, lo, hi)
			s = s.And(&k.any)
			k.nurse[i] = s
			some = some.Or(&s)
		}
		if k.any = some; k.any.Empty() {
			return false
		}
		lo, hi = k.any.bounds()
	}
	for len(k.unit) < len(w.kinds) {
		k.unit = append(k.unit, nil)
	}
	for j := range w.kinds {
		kind := &w.kinds[j]
		var some Mask
		k.unit[j] = resize(k.unit[j], len(kind.units))
		for i, u := range kind.units {
			if d.longest[u] < kind.least {
				k.unit[j][i] = Mask{}
				continue
			}
			s := starts(&masks[u], kind.parts, lo, hi)
			s = s.And(&k.any)
			k.unit[j][i] = s
			some = some.Or(&s)
		}
		if k.any = some; k.any.Empty() {
			return false
		}
	}
	var some Mask
	k.room = resize(k.room, len(w.rooms))
	for i, r := range w.rooms {
		if d.longest[r] < w.least[KindRoom] {
			k.room[i] = Mask{}
			continue
		}
		s := k.any
		for j := range w.kinds {
			var served Mask
			for _, u := range w.kinds[j].serves[i] {
				served = served.Or(&k.unit[j][u])
			}
			if s = s.And(&served); s.Empty() {
				break
			}
		}
		if !s.Empty() {
			free := starts(&masks[r], w.room, lo, hi)
			s = s.And(&free)
		}
		k.room[i] = s
		some = some.Or(&s)
	}
	k.any = some
	return !k.any.Empty()
}

// suits is the wishes of a request, ready to be asked for a day.
type suits struct {
	least    int // index of the first day that will do
	most     int // index of the last
	notDays  []bool
	spans    []Suit
	patient  []civil.Interval
	busyDays []bool
	earliest int64 // Unix seconds before which nothing begins
	step     int   // minutes of the wall from one start to the next; 0 is the grid
	steps    Mask  // cells on the step on a day without clock change
}

// onStep keeps the cells that begin on a step of the practice's wall.
func (s *suits) onStep(starts Mask, d *day) Mask {
	if s.step <= Grid {
		return starts
	}
	if d.wall == nil {
		return starts.And(&s.steps)
	}
	var out Mask
	for i := starts.next(0); i < d.cells; i = starts.next(i + 1) {
		if d.minute(i)%s.step == 0 {
			out.Set(i, i+1)
		}
	}
	return out
}

// setStep sets the step and the cells that begin on it on an ordinary day.
func (s *suits) setStep(minutes int) {
	s.step, s.steps = minutes, Mask{}
	for i := 0; minutes > Grid && i < cells; i += minutes / Grid {
		s.steps.Set(i, i+1)
	}
}

// allowed returns the cells of day i at which the visit may begin for the
// patient's sake, and whether those are all that the day has. Cells that the
// clock shows twice are never among them.
func (s *suits) allowed(w *want, d *day, i int) (free Mask, all bool) {
	if i < s.least || i > s.most || s.notDays != nil && s.notDays[i] {
		return free, false
	}
	if len(s.spans) == 0 && (s.busyDays == nil || !s.busyDays[i]) && s.earliest <= d.start {
		free.Set(0, d.cells-w.chair+1)
		if d.wall != nil {
			free = free.AndNot(&d.twice)
		}
		return s.onStep(free, d), true
	}
	if len(s.spans) == 0 {
		free.Set(0, d.cells)
	} else {
		for _, suit := range s.spans {
			if suit.Days.Has(d.date.Weekday()) && (!w.companion || suit.Accompanied) {
				d.span(&free, suit.Span)
			}
		}
	}
	for _, p := range s.patient {
		from, to := d.touched(p)
		free.Clear(from, to)
	}
	if s.earliest > d.start {
		const cell = Grid * 60
		free.Clear(0, int(min((s.earliest-d.start+cell-1)/cell, cells)))
	}
	out := free.Starts(w.chair)
	return s.onStep(out.AndNot(&d.twice), d), false
}
