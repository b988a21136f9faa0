package fortnight

import (
	"fmt"
	"io"
	"slices"
	"time"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// The rest of the diary is other work, which the practice's other system books
// and sends over: check-ups, fillings, cleaning. frontDesk is how that system is
// called.
const frontDesk = "front-desk"

// How much of a coming day every clinician still has in one piece, in minutes: a
// diary without a gap books nobody, and next week's is emptier than this one's.
const (
	freeThisWeek = 120
	freeNextWeek = 195
)

// otherLengths are the lengths that the other system books, in minutes.
var otherLengths = []int{30, 45, 30, 60, 15, 45, 30, 60}

// spell is a stretch of time.
type spell struct{ from, to time.Time }

func (s spell) overlaps(o spell) bool { return s.from.Before(o.to) && o.from.Before(s.to) }

// filler fills the diary of three weeks: the past one, this one, the next.
type filler struct {
	*player
	busy  map[string][]spell // by resource
	items []*vw.ExternalAppointment
	seen  map[string]bool // patient and day: nobody comes twice a day
}

func (p *player) fill(h *house) error {
	monday := p.days.today.AddDate(0, 0, -int(p.days.today.Weekday()-time.Monday))
	first, last := monday.AddDate(0, 0, -7), monday.AddDate(0, 0, 11)
	f := &filler{player: p, busy: map[string][]spell{}, seen: map[string]bool{}}
	own, err := f.read(first, last)
	if err != nil {
		return err
	}
	for day := first; !day.After(last); day = day.AddDate(0, 0, 1) {
		if !p.days.works(day) {
			continue
		}
		for i, c := range h.Clinicians {
			if err := f.day(day, i, c, h); err != nil {
				return err
			}
		}
	}
	f.collide(own, h)
	return f.send()
}

// read takes over what is booked already.
func (f *filler) read(first, last time.Time) ([]*vw.Appointment, error) {
	r := &vw.ListAppointmentsRequest{Parent: f.practice, PageSize: 1000, Days: &vw.DateRange{FirstDate: toDate(first), LastDate: toDate(last)}}
	listed, err := f.reception.Diary.ListAppointments(f.ctx, r)
	if err != nil {
		return nil, err
	}
	for _, a := range listed.GetAppointments() {
		start := a.GetPlace().GetStart().GetInstantTime().AsTime()
		for _, hold := range a.GetPlace().GetHolds() {
			f.busy[hold.GetResource()] = append(f.busy[hold.GetResource()], spell{
				start.Add(time.Duration(hold.GetFromMinute()) * time.Minute), start.Add(time.Duration(hold.GetToMinute()) * time.Minute)})
		}
		f.seen[a.GetPatient()+start.In(f.days.zone).Format(time.DateOnly)] = true
	}
	return listed.GetAppointments(), nil
}

// day fills one day of one clinician.
func (f *filler) day(day time.Time, at int, c clinician, h *house) error {
	name := f.names[c.ID]
	if err := f.keepReserve(day, c.ID, name, h); err != nil {
		return err
	}
	spans := f.spans(day, name)
	if day.After(f.days.today) {
		length := freeThisWeek * time.Minute
		if day.Sub(f.days.today) > 4*24*time.Hour {
			length = freeNextWeek * time.Minute
		}
		f.keepFree(name, spans, length, draw(day.Format(time.DateOnly), c.ID, "free"))
	}
	n := 0
	for _, s := range spans {
		for from := s.from; from.Before(s.to); {
			n++
			length := otherLengths[int(draw(day.Format(time.DateOnly), c.ID, n)*float64(len(otherLengths)))]
			placed := false
			for ; length >= 15 && !placed; length -= 15 {
				placed = f.place(spell{from, from.Add(time.Duration(length) * time.Minute)}, s, name, at, n, c.ID)
			}
			if !placed {
				from = from.Add(15 * time.Minute)
				continue
			}
			from = f.busy[name][len(f.busy[name])-1].to
			if draw(day.Format(time.DateOnly), c.ID, n, "gap") < 0.15 {
				from = from.Add(15 * time.Minute)
			}
		}
	}
	return nil
}

// place takes a stretch for other work when clinician, a room and a nurse are
// free.
func (f *filler) place(s, within spell, name string, at, n int, id string) bool {
	if s.to.After(within.to) || !f.free(name, s) {
		return false
	}
	room := f.firstFree(f.resourcesOf(vw.Resource_KIND_ROOM), at, s)
	nurse := f.firstFree(f.resourcesOf(vw.Resource_KIND_NURSE), at, s)
	if room == "" || nurse == "" {
		return false
	}
	minutes := int32(s.to.Sub(s.from).Minutes())
	item := &vw.ExternalAppointment{
		Key:   &vw.ExternalIdentifier{System: frontDesk, Value: fmt.Sprintf("NOS-%s-%s-%02d", s.from.Format("20060102"), id, n)},
		Place: f.player.place(s.from, minutes, ""),
	}
	for _, r := range []string{name, room, nurse} {
		item.Place.Holds = append(item.Place.Holds, &vw.Hold{Resource: r, ToMinute: minutes})
		f.busy[r] = append(f.busy[r], s)
	}
	if n%3 == 0 {
		item.Patient = f.somebody(s.from)
	}
	f.items = append(f.items, item)
	return true
}

// somebody is a patient without a case who does not come on that day yet.
func (f *filler) somebody(day time.Time) string {
	for _, name := range f.others {
		if key := name + day.Format(time.DateOnly); !f.seen[key] {
			f.seen[key] = true
			return name
		}
	}
	return ""
}

func (f *filler) free(resource string, s spell) bool {
	return !slices.ContainsFunc(f.busy[resource], s.overlaps)
}

// firstFree prefers the clinician's own: rooms and nurses are as many.
func (f *filler) firstFree(resources []string, own int, s spell) string {
	for i := range resources {
		if r := resources[(own+i)%len(resources)]; f.free(r, s) {
			return r
		}
	}
	return ""
}

// spans is when a clinician works on a day.
func (f *filler) spans(day time.Time, name string) []spell {
	var out []spell
	for _, own := range f.rules(day, f.worked[name]) {
		for _, practice := range f.rules(day, f.worked[f.practice]) {
			s := spell{later(own.from, practice.from), earlier(own.to, practice.to)}
			out = append(out, f.present(s, name)...)
		}
	}
	return out
}

// present takes absences out of a stretch.
func (f *filler) present(s spell, name string) []spell {
	for _, a := range f.away {
		if gone := (spell{a.from, a.to}); (a.owner == name || a.owner == f.practice) && s.overlaps(gone) {
			s = spell{s.from, earlier(s.to, gone.from)} // absences here begin with a half-day or a day
		}
	}
	if !s.from.Before(s.to) {
		return nil
	}
	return []spell{s}
}

func (f *filler) rules(day time.Time, rules []*vw.HoursRule) []spell {
	var out []spell
	for _, r := range rules {
		if int(r.GetWeekday())%7 == int(day.Weekday()) {
			out = append(out, spell{f.wall(day, minuteOf(r.GetStartTime())), f.wall(day, minuteOf(r.GetEndTime()))})
		}
	}
	return out
}

// wall is a minute of the local day.
func (f *filler) wall(day time.Time, minute int32) time.Time {
	y, m, d := day.Date()
	return time.Date(y, m, d, 0, int(minute), 0, 0, f.days.zone)
}

func (f *filler) keepReserve(day time.Time, id, name string, h *house) error {
	for _, r := range h.Reserves {
		from, to, err := span(r.Span)
		if err != nil {
			return err
		}
		if r.Who == id {
			f.busy[name] = append(f.busy[name], spell{f.wall(day, minuteOf(from)), f.wall(day, minuteOf(to))})
		}
	}
	return nil
}

// keepFree leaves one piece of the day to whoever books next.
func (f *filler) keepFree(name string, spans []spell, length time.Duration, chance float64) {
	var fit []spell
	for _, s := range spans {
		for from := s.from; !from.Add(length).After(s.to); from = from.Add(15 * time.Minute) {
			if x := (spell{from, from.Add(length)}); f.free(name, x) {
				fit = append(fit, x)
			}
		}
	}
	if len(fit) > 0 {
		f.busy[name] = append(f.busy[name], fit[int(chance*float64(len(fit)))])
	}
}

// collide has the other system send one appointment at a time that is taken
// here: it is taken in as it is, and people have to settle it.
func (f *filler) collide(own []*vw.Appointment, h *house) {
	for _, a := range own {
		start := a.GetPlace().GetStart().GetInstantTime().AsTime().In(f.days.zone)
		if a.GetState() != vw.Appointment_STATE_BOOKED || start.Before(f.days.today.AddDate(0, 0, 2)) {
			continue
		}
		for _, hold := range a.GetPlace().GetHolds() {
			if i := slices.IndexFunc(h.Clinicians, func(c clinician) bool { return f.names[c.ID] == hold.GetResource() }); i >= 0 {
				f.items = append(f.items, &vw.ExternalAppointment{
					Key:   &vw.ExternalIdentifier{System: frontDesk, Value: fmt.Sprintf("NOS-%s-%s-telephone", start.Format("20060102"), h.Clinicians[i].ID)},
					Place: &vw.Place{Start: f.player.place(start, 30, "").GetStart(), Minutes: 30, Holds: []*vw.Hold{{Resource: hold.GetResource(), ToMinute: 30}}}})
				return
			}
		}
	}
}

// send takes everything in, as the other system would send it.
func (f *filler) send() error {
	stream, err := f.manager.Diary.TakeInAppointments(f.ctx)
	if err != nil {
		return err
	}
	sequence := int64(0)
	for batch := range slices.Chunk(f.items, 500) {
		sequence++
		if err := stream.Send(&vw.TakeInAppointmentsRequest{Parent: f.practice, Appointments: batch, Sequence: sequence}); err != nil {
			return err
		}
		answer, err := stream.Recv()
		if err != nil {
			return err
		}
		for _, i := range answer.GetItems() {
			if i.GetError() != nil {
				return fmt.Errorf("taken in from elsewhere: %s: %s", i.GetKey().GetValue(), i.GetError().GetText())
			}
		}
	}
	if err := stream.CloseSend(); err != nil {
		return err
	}
	if _, err := stream.Recv(); err != io.EOF { //nolint:errorlint // gRPC returns it bare
		return err
	}
	return nil
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}
