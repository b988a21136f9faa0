package desk

import (
	"cmp"
	"net/url"
	"slices"
	"strings"

	"golang.org/x/sync/errgroup"
	"google.golang.org/genproto/googleapis/type/date"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var dayRoutes = []route{
	{"GET /day", careTeam, (*ask).dayToday},
	{"GET /day/{date}", careTeam, (*ask).dayPage},
	{"GET /week/{date}", careTeam, (*ask).weekPage},
}

// dayPage is the diary of one day: drawn to scale, and as a list.
type dayPage struct {
	Date       *date.Date
	Prev, Next *date.Date
	IsToday    bool
	Clinician  string // id; empty shows everybody
	Clinicians []option
	Form       *form
	// AsList shows the list alone, as it is printed.
	AsList  bool
	Grid    *dayGrid
	Lines   []*dayVisit // what takes place, by start
	Off     []*dayVisit // cancelled, not attended
	Here    []hereLine
	Closed  []string // closures of the whole practice
	Booked  int      // visits
	Minutes int
}

// Query keeps whose visits are shown, and how, from day to day.
func (p *dayPage) Query() string { return p.query(p.AsList) }

// OtherView is the query of the other way to show the same day.
func (p *dayPage) OtherView() string { return p.query(!p.AsList) }

func (p *dayPage) query(list bool) string {
	values := url.Values{}
	if p.Clinician != "" {
		values.Set("clinician", p.Clinician)
	}
	if list {
		values.Set("view", "list")
	}
	return addressWith("", values)
}

// hereLine says when somebody is there that day.
type hereLine struct {
	Name, Text string
	Away       bool
}

// dayVisit is one appointment as the day shows it.
type dayVisit struct {
	A       *vw.Appointment
	Time    string // from and to
	Start   string
	Who     string
	Phone   string
	Teeth   string
	What    string
	State   string
	Class   string
	With    string
	Room    string
	Left    string // time left of a provisional one
	Outside string // hours or absences that it does not fit any more
	Running *running
	Call    string // the urgent call it came from, in few words
}

// running is a visit in the chair as it stands.
type running struct {
	Since, Minutes, End string
	// Over is set when the work is expected to end after the appointment.
	Over  string
	Chair string
}

func (q *ask) dayToday() (*page, error) {
	d := readDate(q.form.Get("date"))
	if d == nil {
		d = q.words.Today()
	}
	values := url.Values{}
	for _, k := range []string{"clinician", "view"} {
		if v := q.form.Get(k); v != "" {
			values.Set(k, v)
		}
	}
	return goTo(addressWith("/day/"+q.words.ISODate(d), values)), nil
}

// addressWith is an address with a query, if there is one.
func addressWith(path string, values url.Values) string {
	if len(values) == 0 {
		return path
	}
	return path + "?" + values.Encode()
}

func (q *ask) dayPage() (*page, error) {
	d := readDate(q.path("date"))
	if d == nil {
		return nil, errNoPage
	}
	p := &dayPage{Date: d, Prev: q.words.addDays(d, -1), Next: q.words.addDays(d, 1), IsToday: q.words.daysBetween(d, q.words.Today()) == 0,
		AsList: q.form.Get("view") == "list", Clinician: q.form.Get("clinician"), Form: newForm(q.form)}
	p.Form.Set("date", q.words.ISODate(d))
	in, err := q.dayRead(d, p.Clinician)
	if err != nil {
		return nil, err
	}
	if p.Clinician != "" && in.house.titles[q.name("clinicians", p.Clinician)] == "" {
		return nil, errNoPage
	}
	p.Clinicians = in.house.clinicianOptions(q.t("day.everybody"))
	for _, a := range in.appointments {
		v := q.dayVisit(in, a)
		if live(a) {
			p.Lines = append(p.Lines, v)
			p.Booked++
			p.Minutes += int(a.GetPlace().GetMinutes())
		} else if a.GetState() != vw.Appointment_STATE_EXPIRED {
			p.Off = append(p.Off, v)
		}
	}
	p.Here, p.Closed = q.here(in)
	if !p.AsList {
		p.Grid = q.grid(in, p.Lines, p.Clinician != "")
	}
	return &page{name: "day", title: q.words.LongDate(d), section: "day", data: p}, nil
}

// dayInputs are what a day is drawn from.
type dayInputs struct {
	date         *date.Date
	appointments []*vw.Appointment
	house        *house
	who          *who
	hours        *openHours
	running      map[string]*vw.ChairVisit // by appointment
}

func (q *ask) dayRead(d *date.Date, clinician string) (*dayInputs, error) {
	in := &dayInputs{date: d, running: map[string]*vw.ChairVisit{}}
	days := &vw.DateRange{FirstDate: d, LastDate: d}
	list := &vw.ListAppointmentsRequest{Days: days, AllStates: true}
	if clinician != "" {
		list.Resource = q.name("clinicians", clinician)
	}
	g := errgroup.Group{}
	g.Go(func() (err error) {
		if in.appointments, err = q.appointmentsOf(list); err != nil {
			return err
		}
		if in.who, err = q.whoIs(in.appointments); err != nil {
			return err
		}
		return q.readRunning(in)
	})
	g.Go(func() (err error) {
		in.house, err = q.house()
		return err
	})
	g.Go(func() (err error) {
		in.hours, err = q.openHours(days)
		return err
	})
	return in, g.Wait()
}

// readRunning reads the visits that are in the chair now.
func (q *ask) readRunning(in *dayInputs) error {
	visits := make([]*vw.ChairVisit, len(in.appointments))
	g := errgroup.Group{}
	g.SetLimit(mostAtOnce)
	for i, a := range in.appointments {
		if a.GetState() != vw.Appointment_STATE_IN_CHAIR || len(a.GetCases()) == 0 {
			continue
		}
		g.Go(func() (err error) {
			visits[i], err = q.runningVisit(a.GetCases()[0])
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return err
	}
	for i, v := range visits {
		if v != nil {
			in.running[in.appointments[i].GetName()] = v
		}
	}
	return nil
}

// runningVisit is the visit of a case that is in the chair now, with its
// answer; nil when there is none.
func (q *ask) runningVisit(caseName string) (*vw.ChairVisit, error) {
	list, err := q.chair().ListVisits(q, &vw.ListVisitsRequest{Parent: caseName, PageSize: 1})
	if err != nil || len(list.GetVisits()) == 0 || list.GetVisits()[0].GetPhase() == vw.ChairVisit_PHASE_ENDED {
		return nil, err
	}
	return q.chair().GetVisit(q, &vw.GetVisitRequest{Name: list.GetVisits()[0].GetName()})
}

func (q *ask) dayVisit(in *dayInputs, a *vw.Appointment) *dayVisit {
	place := a.GetPlace()
	v := &dayVisit{A: a, Time: q.words.Span(place), Start: clockAt(startMinute(place)), Who: in.who.Patient(a.GetPatient()), Phone: in.who.Phone(a.GetPatient()), Teeth: in.who.Teeth(a),
		What: q.what(a), State: q.stateWords(a), Class: stateWord(a), With: in.house.Title(clinicianOf(place)), Room: in.house.Title(in.house.roomOf(place))}
	v.Call = q.callLine(a.GetOccasion())
	if clinicianOf(place) == "" {
		v.With = ""
	}
	if in.house.roomOf(place) == "" {
		v.Room = ""
	}
	if v.Who == "" {
		v.Who = q.t("visit.nobody")
	}
	if a.GetState() == vw.Appointment_STATE_PROVISIONAL && a.GetExpireTime().IsValid() {
		v.Left = q.words.TimeLeft(q.minutesUntil(a.GetExpireTime().AsTime()))
	}
	if ahead(a) {
		v.Outside = q.outsideHours(in, a)
	}
	if a.GetState() == vw.Appointment_STATE_IN_CHAIR {
		v.Running = q.runningWords(in, a)
	}
	return v
}

// outsideHours says whose hours or absences an appointment does not fit.
func (q *ask) outsideHours(in *dayInputs, a *vw.Appointment) string {
	start := startMinute(a.GetPlace())
	for _, h := range a.GetPlace().GetHolds() {
		if !isClinician(h.GetResource()) && in.house.byName[h.GetResource()].GetKind() != vw.Resource_KIND_ROOM {
			continue
		}
		part := stretch{start + max(0, int(h.GetFromMinute())), start + min(int(a.GetPlace().GetMinutes()), int(h.GetToMinute()))}
		if part.From < part.To && !covers(joined(in.hours.open(h.GetResource(), in.date)), part) {
			return q.t("day.outside", in.house.Title(h.GetResource()))
		}
	}
	return ""
}

// joined makes stretches that touch one another one.
func joined(list []stretch) []stretch {
	var out []stretch
	for _, s := range list {
		if n := len(out); n > 0 && out[n-1].To >= s.From {
			out[n-1].To = max(out[n-1].To, s.To)
			continue
		}
		out = append(out, s)
	}
	return out
}

func (q *ask) runningWords(in *dayInputs, a *vw.Appointment) *running {
	r := &running{}
	begin, end := a.GetChairTime(), a.GetPlace().GetStart().GetInstantTime().AsTime().Add(minutes(a.GetPlace().GetMinutes()))
	if v := in.running[a.GetName()]; v != nil {
		begin = v.GetBeginTime()
		r.Chair = "/cases/" + lastPart(a.GetCases()[0]) + "/chair"
		if t := v.GetAnswer().GetExpectedEnd(); t.IsValid() {
			r.End = q.words.At(t)
			if late := int(t.AsTime().Sub(end).Minutes()); late > 0 {
				r.Over = q.words.Min(late)
			}
		}
	}
	if begin.IsValid() {
		r.Since = q.words.At(begin)
		r.Minutes = q.words.Min(max(0, q.now().Sub(begin.AsTime()).Minutes()))
	}
	return r
}

// here says who is there and when, and whether the practice is closed.
func (q *ask) here(in *dayInputs) (lines []hereLine, closed []string) {
	for _, c := range in.house.Clinicians {
		l := hereLine{Name: c.GetTitle()}
		var spans []string
		for _, s := range in.hours.open(c.GetName(), in.date) {
			spans = append(spans, q.t("visit.span", clockAt(s.From), clockAt(s.To)))
		}
		if l.Text = strings.Join(spans, q.t("visit.and")); l.Text == "" {
			l.Away, l.Text = true, q.t("day.not-here")
			for _, a := range in.hours.awayOn(c.GetName(), in.date) {
				if a.Absence.GetOwner() == c.GetName() {
					l.Text = q.absenceWords(a.Absence)
				}
			}
		}
		lines = append(lines, l)
	}
	for _, a := range in.hours.awayOn(q.practice, in.date) {
		text := q.absenceWords(a.Absence)
		if a.From > 0 || a.To < wholeDay {
			text = q.t("day.closed-from", text, clockAt(a.From), clockAt(a.To))
		}
		closed = append(closed, text)
	}
	return lines, closed
}

func (q *ask) absenceWords(a *vw.Absence) string {
	kind := a.GetKind()
	if key := "day.away-" + kind; q.words.has(key) {
		kind = q.t(key)
	}
	if a.GetNote() != "" {
		return q.t("day.away-note", kind, a.GetNote())
	}
	return kind
}

// weekPage is seven days in short: who has how much of the day booked.
type weekPage struct {
	Days  []weekDay
	Rows  []weekRow
	Prev  *date.Date
	Next  *date.Date
	First *date.Date
}

type weekDay struct {
	Date    *date.Date
	IsToday bool
	Closed  string
}

type weekRow struct {
	Name  string
	ID    string
	Cells []weekCell
}

type weekCell struct {
	Date   *date.Date
	Visits int
	Booked string
	Open   string
	Free   string
	Away   string
	Tenths int // of the open time that is booked, 0 to 10
}

func (q *ask) weekPage() (*page, error) {
	d := readDate(q.path("date"))
	if d == nil {
		return nil, errNoPage
	}
	first := q.words.addDays(d, -((int(q.words.day(d).Weekday()) - int(q.words.weekStart) + 7) % 7))
	last := q.words.addDays(first, 6)
	days := &vw.DateRange{FirstDate: first, LastDate: last}
	var all []*vw.Appointment
	var house *house
	var hours *openHours
	g := errgroup.Group{}
	g.Go(func() (err error) {
		all, err = q.appointmentsOf(&vw.ListAppointmentsRequest{Days: days})
		return err
	})
	g.Go(func() (err error) {
		house, err = q.house()
		return err
	})
	g.Go(func() (err error) {
		hours, err = q.openHours(days)
		return err
	})
	if err := g.Wait(); err != nil {
		return nil, err
	}
	p := &weekPage{Prev: q.words.addDays(first, -7), Next: q.words.addDays(first, 7), First: first}
	for i := range 7 {
		day := weekDay{Date: q.words.addDays(first, i)}
		day.IsToday = q.words.daysBetween(day.Date, q.words.Today()) == 0
		for _, a := range hours.awayOn(q.practice, day.Date) {
			day.Closed = q.absenceWords(a.Absence)
		}
		p.Days = append(p.Days, day)
	}
	for _, c := range house.Clinicians {
		row := weekRow{Name: c.GetTitle(), ID: lastPart(c.GetName())}
		for _, day := range p.Days {
			row.Cells = append(row.Cells, q.weekCell(c.GetName(), day.Date, all, hours))
		}
		p.Rows = append(p.Rows, row)
	}
	slices.SortStableFunc(p.Rows, func(a, b weekRow) int { return cmp.Compare(a.Name, b.Name) })
	return &page{name: "week", title: q.t("day.week-title", q.words.Date(first), q.words.Date(last)), section: "day", data: p}, nil
}

func (q *ask) weekCell(clinician string, d *date.Date, all []*vw.Appointment, hours *openHours) weekCell {
	c := weekCell{Date: d}
	booked := 0
	open := hours.open(clinician, d)
	left := open
	for _, a := range all {
		if clinicianOf(a.GetPlace()) != clinician || q.words.daysBetween(a.GetPlace().GetStart().GetDate(), d) != 0 {
			continue
		}
		start := startMinute(a.GetPlace())
		c.Visits++
		booked += int(a.GetPlace().GetMinutes())
		left = without(left, stretch{start, start + int(a.GetPlace().GetMinutes())})
	}
	c.Booked, c.Open, c.Free = q.words.TimeLeft(booked), q.words.TimeLeft(total(open)), q.words.TimeLeft(total(left))
	if total(open) == 0 {
		c.Away = q.t("day.not-here")
	} else {
		c.Tenths = min(10, (10*(total(open)-total(left))+total(open)/2)/total(open))
	}
	return c
}
