package diary

import (
	"cmp"
	"math"
)

// stream draws, one by one and cheapest first, the ways to do the visits from v
// on when visit v is on one day in one class.
type stream struct {
	visit, day int
	group      int32
	heap       []step
	out        []item
}

// link draws the ways to do the visits from v on after a visit on day `after`
// in class `class`.
type link struct {
	visit, after int
	class        int
	early, late  int // next gaps in days to open, on either side of the target
	least, most  int
	heap         []step
	out          []item
}

// step waits in a heap: a known way (exact), or the least that one can cost.
type step struct {
	cost  int
	exact bool
	at    int32 // candidate (stream), or index of the stream (link)
	nth   int32
	extra int // of a link: cost of getting to the day and class
	path  int32
}

// edge is the cost of doing visit v gap days after the visit before it.
func (f *finder) edge(v, gap int) int {
	win := f.wants[v].window
	if f.minute {
		if v == 0 && f.base == 0 {
			gap = f.anchor + gap - f.today
		}
		return gap * 24 * 60
	}
	if v == 0 && f.base == 0 && win.Target == NoTarget {
		return f.w.WaitDay * urgencyFactor[f.req.Urgency] * max(0, f.anchor+gap-f.today)
	}
	target := win.Target
	if target == NoTarget {
		target = win.Earliest
	}
	if gap < target {
		return f.w.Early * (target - gap)
	}
	return f.w.Late * (gap - target)
}

// root is the link before the first visit.
func (f *finder) root() int32 {
	if len(f.links) == 0 {
		f.newLink(0, f.anchor, max(f.seen, 0))
	}
	return 0
}

// linkTo returns the link to visit v after the given day and class.
func (f *finder) linkTo(v, after, class int) int32 {
	slot := &f.linkAt[(v*len(f.m.days)+after)*f.classes+class]
	if *slot == 0 {
		f.newLink(v, after, class)
		*slot = int32(len(f.links))
	}
	return *slot - 1
}

func (f *finder) newLink(v, after, class int) {
	win := f.wants[v].window
	l := link{visit: v, after: after, class: class, least: win.Earliest, most: win.Latest}
	if v > 0 {
		l.least = max(l.least, 1) // pairs on one day are candidates of their own
	} else {
		l.least = max(l.least, f.today-after)
	}
	l.least = max(l.least, f.suits.least-after)
	if horizon := f.suits.most - after; l.most == NoLatest || l.most > horizon {
		l.most = horizon
	}
	target := win.Target
	if target == NoTarget {
		target = win.Earliest
	}
	if f.minute {
		target = l.least // nothing but sooner is better
	}
	l.late = max(min(target, l.most+1), l.least)
	l.early = l.late - 1
	if n := len(f.links); n < cap(f.links) {
		f.links = f.links[:n+1]
		old := &f.links[n]
		l.heap, l.out = old.heap[:0], old.out[:0]
		*old = l
		return
	}
	f.links = append(f.links, l)
}

// unopened returns the next gap to open and its cost.
func (f *finder) unopened(l *link) (gap, cost int, ok bool) {
	if l.early >= l.least {
		gap, cost, ok = l.early, f.edge(l.visit, l.early), true
	}
	if l.late <= l.most {
		if c := f.edge(l.visit, l.late); !ok || c < cost {
			gap, cost, ok = l.late, c, true
		}
	}
	return gap, cost, ok
}

// linked returns the nth cheapest way of a link, counted from 0.
func (f *finder) linked(li int32, nth int) (item, bool) {
	for len(f.links[li].out) <= nth {
		if !f.advance(li) {
			return item{}, false
		}
	}
	return f.links[li].out[nth], true
}

// advance does one step of work on a link and reports whether any was left.
func (f *finder) advance(li int32) bool {
	l := &f.links[li]
	gap, cost, open := f.unopened(l)
	if open && (len(l.heap) == 0 || cost+f.rest[l.visit] <= l.heap[0].cost) {
		l.pass(gap)
		f.open(li, gap, cost)
		return true
	}
	if len(l.heap) == 0 {
		return false
	}
	top := f.pop(&l.heap)
	if !top.exact && top.nth < 0 {
		f.see(li, top)
		return true
	}
	if !top.exact {
		it, ok := f.drawn(top.at, int(top.nth))
		l = &f.links[li] // drawing may have moved the links
		if ok {
			top.exact, top.cost, top.path = true, it.cost+top.extra, it.path
			f.push(&l.heap, top)
		}
		return true
	}
	if !f.req.OtherDays || !f.daysDrawn(l.out, top.path) {
		l.out = append(l.out, item{top.cost, top.path})
	}
	top.nth++
	top.exact = false
	f.push(&l.heap, top)
	return true
}

// daysDrawn reports whether a way on the same days was drawn before: it was the
// better one, whatever comes before this link.
func (f *finder) daysDrawn(out []item, path int32) bool {
	for _, it := range out {
		a, b := it.path, path
		for a >= 0 && b >= 0 {
			p, q := &f.paths[a], &f.paths[b]
			if p.day != q.day || (f.cands[p.cand].pair >= 0) != (f.cands[q.cand].pair >= 0) {
				break
			}
			a, b = p.next, q.next
		}
		if a < 0 && b < 0 {
			return true
		}
	}
	return false
}

// open puts the classes of a day into the link's heap.
func (f *finder) open(li int32, gap, cost int) {
	l := &f.links[li]
	v, day, class := l.visit, l.after+gap, l.class
	if f.openKnown(l, cost, day) {
		return
	}
	n := *f.at(v, day)
	for g := n.first; g < n.last; g++ {
		grp := &f.groups[g]
		extra, may := f.changing(v, class, int(grp.class), cost)
		if !may {
			continue
		}
		f.push(&f.links[li].heap, step{cost: extra + f.cands[grp.first].least, at: f.streamOf(v, day, g), extra: extra})
	}
}

// changing is the cost of getting to a class on a day, whose cost is given, from
// the class before visit v; may is false when another clinician will not do.
func (f *finder) changing(v, before, class, cost int) (extra int, may bool) {
	if v == 0 && f.seen < 0 || f.classes == 1 || class == before {
		return cost, true
	}
	return cost + f.w.Change, f.req.Continuity != RequireSame
}

// unseen and weighed mark a step whose day has not been looked at by this
// search: at is the day, path the class. The cost of a weighed one counts what
// is known of the visits after it.
const (
	unseen  = -1
	weighed = -2
)

// openKnown puts the classes of a day into the link's heap by what an earlier
// search found there, without looking at the day; false when nothing is known.
func (f *finder) openKnown(l *link, cost, day int) bool {
	v := l.visit
	same := f.req.Continuity == RequireSame && (v > 0 || f.seen >= 0)
	if same && f.m.days[day].longest[f.m.first[KindClinician]+l.class] < f.wants[v].least[KindClinician] {
		// Only one clinician will do: most days are ruled out by a look at that
		// one's longest stretch.
		return true
	}
	if f.floors[v] == nil || f.dayNode[v*len(f.m.days)+day] != 0 {
		return false
	}
	known := f.floors[v].on(day, f.m.days[day].masks(f.now, f.req.Emergency))
	if known == nil {
		return false
	}
	put := func(class int, least int32) {
		if extra, may := f.changing(v, l.class, class, cost); may && least < nowhere {
			f.push(&l.heap, step{cost: extra + int(least) + f.rest[v+1], extra: extra, at: int32(day), nth: unseen, path: int32(class)})
		}
	}
	switch {
	case f.classes == 1:
		put(0, known.least)
	case same:
		put(l.class, known.with[l.class])
	default:
		for class, least := range known.with {
			put(class, least)
		}
	}
	return true
}

// see looks at the day of a step that was put in by what was known: wishes may
// leave less than that.
func (f *finder) see(li int32, top step) {
	v := f.links[li].visit
	if top.nth == unseen && v+1 < len(f.wants) {
		after := f.lower(f.linkTo(v+1, int(top.at), int(top.path)))
		if after == impossible {
			return
		}
		top.cost, top.nth = top.cost-f.rest[v+1]+max(f.rest[v+1], after), weighed
		f.push(&f.links[li].heap, top)
		return
	}
	n := *f.at(v, int(top.at))
	for g := n.first; g < n.last; g++ {
		grp := &f.groups[g]
		if int32(grp.class) == top.path {
			f.push(&f.links[li].heap, step{cost: top.extra + f.cands[grp.first].least, at: f.streamOf(v, int(top.at), g), extra: top.extra})
			return
		}
	}
}

func (f *finder) streamOf(v, day int, g int32) int32 {
	grp := &f.groups[g]
	if grp.stream == 0 {
		s := stream{visit: v, day: day, group: g}
		if n := len(f.streams); n < cap(f.streams) {
			f.streams = f.streams[:n+1]
			old := &f.streams[n]
			s.heap, s.out = old.heap[:0], old.out[:0]
			*old = s
		} else {
			f.streams = append(f.streams, s)
		}
		grp.stream = int32(len(f.streams))
		f.push(&f.streams[grp.stream-1].heap, step{cost: f.cands[grp.first].least, at: grp.first})
	}
	return grp.stream - 1
}

// drawn returns the nth cheapest way of a stream, counted from 0.
func (f *finder) drawn(si int32, nth int) (item, bool) {
	for len(f.streams[si].out) <= nth {
		s := &f.streams[si]
		if len(s.heap) == 0 {
			return item{}, false
		}
		top := f.pop(&s.heap)
		if top.exact {
			s.out = append(s.out, item{top.cost, top.path})
			top.nth++
			top.exact = false
			f.push(&s.heap, top)
			continue
		}
		// The next candidate costs no less, so it need not wait in the heap
		// before this one is looked at.
		if top.nth == 0 && top.path != weighed && top.at+1 < f.groups[s.group].last {
			f.push(&s.heap, step{cost: f.cands[top.at+1].least, at: top.at + 1})
		}
		if top.nth == 0 && top.path != weighed && f.heavier(si, &top) {
			if top.cost < impossible {
				f.push(&f.streams[si].heap, top)
			}
			continue
		}
		f.follow(si, top)
	}
	return f.streams[si].out[nth], true
}

// heavier counts what is known of the visits after a candidate before any day
// is looked at for them; false when that tells nothing new.
func (f *finder) heavier(si int32, top *step) bool {
	v := f.streams[si].visit
	c := &f.cands[top.at]
	if f.paired || v+1 == len(f.wants) {
		return false
	}
	after := f.lower(f.linkTo(v+1, f.streams[si].day, int(c.class)))
	if after == impossible {
		top.cost = impossible
		return true
	}
	if c.cost+after <= top.cost {
		return false
	}
	top.cost, top.path = c.cost+after, weighed
	return true
}

// impossible is more than any way costs.
const impossible = math.MaxInt

// lower is the least that a link's ways can cost, by what is known without
// looking at a day: impossible when it has none.
func (f *finder) lower(li int32) int {
	l := &f.links[li]
	if len(l.out) > 0 {
		return l.out[0].cost
	}
	for {
		gap, cost, open := f.unopened(l)
		if !open || len(l.heap) > 0 && cost+f.rest[l.visit] > l.heap[0].cost {
			break
		}
		if !f.openKnown(l, cost, l.after+gap) {
			return cost + f.rest[l.visit]
		}
		l.pass(gap)
	}
	if len(l.heap) == 0 {
		return impossible
	}
	return l.heap[0].cost
}

// pass notes that a gap was opened.
func (l *link) pass(gap int) {
	if gap == l.early {
		l.early--
	} else {
		l.late++
	}
}

// follow looks up what comes after a candidate.
func (f *finder) follow(si int32, top step) {
	s := &f.streams[si]
	c := &f.cands[top.at]
	last, class := s.visit, int(c.class)
	if c.pair >= 0 {
		last, class = last+1, int(f.pairs[c.pair].class)
	}
	p := path{cost: c.cost, day: int32(s.day), cand: top.at, next: -1}
	if last+1 == len(f.wants) {
		if top.nth > 0 {
			return // the plan ends here, in one way
		}
	} else {
		rest, ok := f.linked(f.linkTo(last+1, s.day, class), int(top.nth))
		if !ok {
			return
		}
		p.cost += rest.cost
		p.next = rest.path
	}
	f.paths = append(f.paths, p)
	top.exact, top.cost, top.path = true, p.cost, int32(len(f.paths)-1)
	f.push(&f.streams[si].heap, top)
}

// less is the order of the heaps: what is not known exactly comes first among
// equals, so that a known way is drawn only when no other can equal it unseen.
func (f *finder) less(a, b *step) bool {
	if a.cost != b.cost {
		return a.cost < b.cost
	}
	if a.exact != b.exact {
		return !a.exact
	}
	if !a.exact {
		return a.at < b.at || a.at == b.at && a.nth < b.nth
	}
	return f.comparePaths(a.path, b.path) < 0
}

// comparePaths is the total order of ways that cost the same: the starts of the
// visits one by one, each with its clinician's place in the practice's list.
func (f *finder) comparePaths(a, b int32) int {
	for a >= 0 && b >= 0 {
		p, q := &f.paths[a], &f.paths[b]
		if c := cmp.Compare(p.day, q.day); c != 0 {
			return c
		}
		x, y := &f.cands[p.cand], &f.cands[q.cand]
		if c := cmp.Or(cmp.Compare(x.cell, y.cell), cmp.Compare(x.clin, y.clin)); c != 0 {
			return c
		}
		switch {
		case x.pair >= 0 && y.pair >= 0:
			if c := f.compareStarts(f.pairs[x.pair], f.pairs[y.pair]); c != 0 {
				return c
			}
		case x.pair >= 0:
			return -1
		case y.pair >= 0:
			return 1
		}
		a, b = p.next, q.next
	}
	return 0
}

func (f *finder) push(h *[]step, s step) {
	*h = append(*h, s)
	a := *h
	for i := len(a) - 1; i > 0; {
		up := (i - 1) / 2
		if !f.less(&a[i], &a[up]) {
			return
		}
		a[i], a[up] = a[up], a[i]
		i = up
	}
}

func (f *finder) pop(h *[]step) step {
	a := *h
	top := a[0]
	a[0] = a[len(a)-1]
	a = a[:len(a)-1]
	*h = a
	for i := 0; ; {
		c := 2*i + 1
		if c >= len(a) {
			return top
		}
		if c+1 < len(a) && f.less(&a[c+1], &a[c]) {
			c++
		}
		if !f.less(&a[c], &a[i]) {
			return top
		}
		a[i], a[c] = a[c], a[i]
		i = c
	}
}
