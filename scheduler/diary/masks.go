package diary

import (
	"errors"
	"fmt"
	"time"

	"github.com/visitwright/visitwright/scheduler/civil"
)

// MostDays is the longest stretch of days that masks are kept for.
const MostDays = 731

// Masks is what is free in a practice over a run of local days, at one version
// of its diary. It is never changed: With returns the next version, which
// shares every day that stays the same, so that searches need no lock.
type Masks struct {
	practice *Practice
	version  int64
	refs     []Ref
	index    map[Ref]int
	first    [4]int // index of the first resource of each kind
	days     []*day
	capacity *capacity
	byLength []*capacity // of each useful length alone
	floors   *knownFloors
}

// Build computes the masks of days local days from first on out of the hours
// and bookings of the practice. Parts of bookings outside those days are
// ignored. version is the diary's version that the bookings were read at.
func Build(p *Practice, first civil.Date, days int, version int64, bookings []Booking) (*Masks, error) {
	if err := p.Validate(); err != nil {
		return nil, err
	}
	if first.IsZero() || days < 1 || days > MostDays {
		return nil, fmt.Errorf("diary from %s, %d days: want a first day and 1 to %d days", first, days, MostDays)
	}
	m := &Masks{practice: p, version: version, refs: p.refs(), capacity: newCapacity(p.Useful), floors: new(knownFloors)}
	for _, u := range p.Useful {
		m.byLength = append(m.byLength, newCapacity([]UsefulLength{{u.Minutes, 1}}))
	}
	m.first = [4]int{0, len(p.Rooms), len(p.Rooms) + len(p.Clinicians), len(p.Rooms) + len(p.Clinicians) + len(p.Nurses)}
	m.index = make(map[Ref]int, len(m.refs))
	owns := make([]*civil.Calendar, len(m.refs))
	for i, r := range m.refs {
		m.index[r] = i
		owns[i] = p.own(r)
	}
	m.days = make([]*day, days)
	for i := range m.days {
		d, err := newDay(p.Zone, first.AddDays(i))
		if err != nil {
			return nil, err
		}
		m.fillHours(d, owns)
		m.days[i] = d
	}
	for _, b := range bookings {
		if err := m.each(b, func(i int, h held) error {
			d := m.days[i]
			d.held = append(d.held, h)
			d.free[h.resource].Clear(int(h.from), int(h.to))
			return nil
		}); err != nil {
			return nil, err
		}
	}
	for _, d := range m.days {
		for r := range d.free {
			d.keep(r)
		}
		d.sum(m.first)
	}
	return m, nil
}

func (m *Masks) fillHours(d *day, owns []*civil.Calendar) {
	p := m.practice
	n := len(m.refs)
	store := make([]Mask, 2*n)
	d.open, d.free = store[:n:n], store[n:]
	d.kept = d.free
	d.longest = make([]int16, n)
	all := d.hours(p.Calendar.Spans(d.date))
	if !all.Empty() {
		for r, own := range owns {
			d.open[r] = all
			if own != nil {
				mask := d.hours(own.Spans(d.date))
				d.open[r] = d.open[r].And(&mask)
			}
		}
	}
	copy(d.free, d.open)
	for _, r := range p.Reserves {
		mask := d.hours(r.Hours.On(d.date))
		i := m.index[r.Resource]
		mask = mask.And(&d.open[i])
		if mask.Empty() {
			continue
		}
		if d.reserve == nil {
			d.reserve = make([]Mask, n)
			d.kept = make([]Mask, n)
			d.release = p.Zone.Resolve(civil.LocalTime{Date: d.date.AddDays(-p.Release.DaysBefore), Time: p.Release.At}).Unix()
		}
		d.reserve[i] = d.reserve[i].Or(&mask)
	}
}

// Practice returns the practice that the masks were built for.
func (m *Masks) Practice() *Practice { return m.practice }

// Version returns the diary's version.
func (m *Masks) Version() int64 { return m.version }

// Days returns the days covered.
func (m *Masks) Days() civil.DateRange {
	return civil.DateRange{First: m.days[0].date, Last: m.days[len(m.days)-1].date}
}

// Free returns the free cells of a resource on a day, with the reserve; false
// when either is not known.
func (m *Masks) Free(r Ref, d civil.Date) (Mask, bool) {
	i, ok := m.index[r]
	j := d.DaysSince(m.days[0].date)
	if !ok || j < 0 || j >= len(m.days) {
		return Mask{}, false
	}
	return m.days[j].free[i], true
}

// dayOf returns the index of the day that holds the instant, -1 when none does.
func (m *Masks) dayOf(at time.Time) int {
	u := at.Unix()
	i := int(u-m.days[0].start) / 86400
	if u < m.days[0].start {
		return -1
	}
	// Clock changes move the start of a day by an hour or two.
	i = min(i, len(m.days)-1)
	for i > 0 && m.days[i].start > u {
		i--
	}
	for i < len(m.days) && u >= m.days[i].start+int64(m.days[i].cells)*Grid*60 {
		i++
	}
	if i == len(m.days) {
		return -1
	}
	return i
}

// each calls f for every day and resource that the booking occupies.
func (m *Masks) each(b Booking, f func(day int, h held) error) error {
	if err := b.validate(); err != nil {
		return err
	}
	for _, h := range b.Holds {
		r, ok := m.index[h.Resource]
		if !ok {
			return &BookingError{b.ID, fmt.Sprintf("%s is not known in this practice", h.Resource)}
		}
		i := m.dayOf(h.Time.Start)
		if i < 0 {
			if h.Time.Start.Unix() >= m.days[0].start {
				continue
			}
			i = 0
		}
		for ; i < len(m.days) && m.days[i].start < h.Time.End.Unix(); i++ {
			from, to := m.days[i].touched(h.Time)
			if from >= to {
				continue
			}
			if err := f(i, held{int32(r), int16(from), int16(to)}); err != nil {
				return err
			}
		}
	}
	return nil
}

// Change is one step of the diary: bookings made, and bookings ended, with
// exactly the holds that they were made with. A move is both.
type Change struct {
	Version int64 // of the diary after the change: one above that of the masks
	Made    []Booking
	Ended   []Booking
}

// Errors of With. Both mean that the masks no longer follow the diary: build
// them anew.
var (
	ErrVersionGap = errors.New("the diary has moved on by more than this change")
	ErrNotHeld    = errors.New("a booking that ended is not in these masks")
)

// With returns the masks after the change. m itself stays as it is.
func (m *Masks) With(c Change) (*Masks, error) {
	if c.Version != m.version+1 {
		return nil, fmt.Errorf("masks at version %d, change to %d: %w", m.version, c.Version, ErrVersionGap)
	}
	return m.apply(c)
}

func (m *Masks) apply(c Change) (*Masks, error) {
	out := *m
	out.version = c.Version
	out.days = append([]*day(nil), m.days...)
	at := func(i int) *day {
		if out.days[i] == m.days[i] {
			out.days[i] = m.days[i].changed()
		}
		return out.days[i]
	}
	for _, b := range c.Ended {
		if err := m.each(b, func(i int, h held) error {
			if !at(i).give(h) {
				return &BookingError{b.ID, ErrNotHeld.Error()}
			}
			return nil
		}); err != nil {
			return nil, fmt.Errorf("%w: %w", ErrNotHeld, err)
		}
	}
	for _, b := range c.Made {
		if err := m.each(b, func(i int, h held) error {
			at(i).take(h)
			return nil
		}); err != nil {
			return nil, err
		}
	}
	for i, d := range out.days {
		if d != m.days[i] {
			d.sum(m.first)
		}
	}
	return &out, nil
}
