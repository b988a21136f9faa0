package desk

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/genproto/googleapis/type/timeofday"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// who are the patients and cases that a list of appointments speaks of, read
// together by two calls.
type who struct {
	q        *ask
	patients map[string]*vw.Patient
	cases    map[string]*vw.Case
}

// whoIs reads the patients and cases of appointments, and of further cases and
// patients by name.
func (q *ask) whoIs(appointments []*vw.Appointment, more ...string) (*who, error) {
	var patients, cases []string
	add := func(list *[]string, name string) {
		if name != "" && !slices.Contains(*list, name) {
			*list = append(*list, name)
		}
	}
	for _, a := range appointments {
		add(&patients, a.GetPatient())
		for _, c := range a.GetCases() {
			add(&cases, c)
		}
	}
	for _, name := range more {
		if strings.Contains(name, "/cases/") {
			add(&cases, name)
		} else {
			add(&patients, name)
		}
	}
	w := &who{q: q, patients: map[string]*vw.Patient{}, cases: map[string]*vw.Case{}}
	g, ctx := errgroup.WithContext(q)
	var people []*vw.Patient
	var teeth []*vw.Case
	g.Go(func() error {
		for part := range slices.Chunk(patients, mostInList) {
			got, err := q.planner().ListPatients(ctx, &vw.ListPatientsRequest{Parent: q.practice, PageSize: mostInList, Filter: &vw.PatientFilter{Names: part}})
			if err != nil {
				return err
			}
			people = append(people, got.GetPatients()...)
		}
		return nil
	})
	g.Go(func() error {
		for part := range slices.Chunk(cases, mostInList) {
			got, err := q.planner().ListCases(ctx, &vw.ListCasesRequest{Parent: q.practice, PageSize: mostInList, Filter: &vw.CaseFilter{Names: part}})
			if err != nil {
				return err
			}
			teeth = append(teeth, got.GetCases()...)
		}
		return nil
	})
	if err := g.Wait(); err != nil {
		return nil, err
	}
	for _, p := range people {
		w.patients[p.GetName()] = p
	}
	for _, c := range teeth {
		w.cases[c.GetName()] = c
	}
	return w, nil
}

// patientWords is how the practice calls a patient: reference, then label.
func patientWords(p *vw.Patient) string {
	if l := p.GetLabel(); l != "" {
		return p.GetReference() + " " + l
	}
	return p.GetReference()
}

// Patient is how the patient of an appointment is called.
func (w *who) Patient(name string) string {
	if p := w.patients[name]; p != nil {
		return patientWords(p)
	}
	return ""
}

// Phone is the patient's telephone, or that of the person to speak with.
func (w *who) Phone(name string) string {
	p := w.patients[name]
	if phone := p.GetGuardian().GetPhone(); phone != "" {
		return phone
	}
	return p.GetPhone()
}

// Teeth says which teeth, in notation and in words.
func (w *who) Teeth(a *vw.Appointment) string {
	var parts []string
	for _, c := range a.GetCases() {
		if found := w.cases[c]; found != nil {
			parts = append(parts, w.q.words.Tooth(found.GetTooth()))
		}
	}
	return strings.Join(parts, "; ")
}

// firstCase is the case of an appointment, of several the first; nil for one
// that has none, as that of an urgent call.
func (w *who) firstCase(a *vw.Appointment) *vw.Case {
	if len(a.GetCases()) == 0 {
		return nil
	}
	return w.cases[a.GetCases()[0]]
}

// what an appointment is for: "visit 2", or what no plan asked for.
func (q *ask) what(a *vw.Appointment) string {
	if parts := a.GetParts(); len(parts) > 0 {
		var numbers []string
		for _, p := range parts {
			if n := fmt.Sprint(p.GetVisit()); !slices.Contains(numbers, n) {
				numbers = append(numbers, n)
			}
		}
		return q.t("visit.number", strings.Join(numbers, ", "))
	}
	if a.GetExternal() != nil {
		return q.t("visit.from-elsewhere", a.GetExternal().GetSystem())
	}
	return q.protocolWords(a.GetProtocol())
}

// protocolWords is a protocol as people say it.
func (q *ask) protocolWords(id string) string {
	if q.words.has("visit.protocol-" + id) {
		return q.t("visit.protocol-" + id)
	}
	return strings.ReplaceAll(id, "-", " ")
}

// stateWord is where an appointment stands, as a key of the texts ends.
func stateWord(a *vw.Appointment) string {
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(a.GetState().String(), "STATE_"), "_", "-"))
}

// stateWords says where an appointment stands. One that is not known is shown
// as held.
func (q *ask) stateWords(a *vw.Appointment) string {
	text := q.words.AppointmentState(a)
	if a.GetIfNeeded() && (a.GetState() == vw.Appointment_STATE_BOOKED || a.GetState() == vw.Appointment_STATE_PROVISIONAL) {
		text += ", " + q.t("visit.if-needed")
	}
	return text
}

// letGo reports whether a place was given back before it was booked.
func letGo(a *vw.Appointment) bool {
	return a.GetState() == vw.Appointment_STATE_CANCELLED && a.GetExpireTime().IsValid()
}

// live reports whether an appointment holds its place.
func live(a *vw.Appointment) bool {
	switch a.GetState() {
	case vw.Appointment_STATE_DID_NOT_ATTEND, vw.Appointment_STATE_CANCELLED, vw.Appointment_STATE_EXPIRED, vw.Appointment_STATE_RELEASED:
		return false
	}
	return true
}

// ahead reports whether an appointment has still to begin.
func ahead(a *vw.Appointment) bool {
	return a.GetState() == vw.Appointment_STATE_BOOKED || a.GetState() == vw.Appointment_STATE_PROVISIONAL
}

// minuteOf is a time of day as the minute of that day.
func minuteOf(t *timeofday.TimeOfDay) int { return int(t.GetHours())*60 + int(t.GetMinutes()) }

// startMinute is the minute of the local day at which a place begins.
func startMinute(p *vw.Place) int { return minuteOf(p.GetStart().GetTime()) }

// clockAt is a minute of the day as a time: 09:30.
func clockAt(minute int) string { return fmt.Sprintf("%02d:%02d", minute/60, minute%60) }

// Span is a place's time of day: "09:30 to 11:00".
func (w *words) Span(p *vw.Place) string {
	start := startMinute(p)
	return w.T("visit.span", clockAt(start), clockAt((start+int(p.GetMinutes()))%(24*60)))
}

// minutesUntil is how many whole minutes there are until an instant; 0 when it
// has passed.
func (q *ask) minutesUntil(t time.Time) int {
	return max(0, int(t.Sub(q.now()).Minutes()))
}

// TimeLeft says how long something is still kept: "11 min", "2 h 5 min".
func (w *words) TimeLeft(minutes int) string {
	if minutes < 60 {
		return w.T("words.min", minutes)
	}
	if minutes < 48*60 && minutes%60 == 0 {
		return w.T("visit.hours-only", minutes/60)
	}
	if minutes < 48*60 {
		return w.T("visit.hours", minutes/60, minutes%60)
	}
	return w.T("visit.days", minutes/60/24)
}

// appointmentsOf reads all appointments of some days.
func (q *ask) appointmentsOf(r *vw.ListAppointmentsRequest) ([]*vw.Appointment, error) {
	r.Parent, r.PageSize = q.practice, mostInList
	var out []*vw.Appointment
	for {
		got, err := q.diary().ListAppointments(q, r)
		if err != nil {
			return nil, err
		}
		out = append(out, got.GetAppointments()...)
		if r.PageToken = got.GetNextPageToken(); r.PageToken == "" {
			return out, nil
		}
	}
}

// readDate reads a day as forms and addresses write it; nil when it is none.
func readDate(text string) *date.Date {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil || t.Year() < 1900 || t.Year() > 2200 {
		return nil
	}
	return dateOf(t)
}

// readClock reads a time of day as forms write it; nil when it is none.
func readClock(text string) *timeofday.TimeOfDay {
	t, err := time.Parse("15:04", text)
	if err != nil {
		return nil
	}
	return &timeofday.TimeOfDay{Hours: int32(t.Hour()), Minutes: int32(t.Minute())}
}

// wholeBetween reads a whole number between two bounds, both included.
func wholeBetween(text string, low, high int64) (int32, bool) {
	n, err := strconv.ParseInt(text, 10, 32)
	if err != nil || n < low || n > high {
		return 0, false
	}
	return int32(n), true
}

// addDays is a day so many days later.
func (w *words) addDays(d *date.Date, days int) *date.Date {
	return dateOf(w.day(d).AddDate(0, 0, days))
}

// daysBetween is how many days b lies after a.
func (w *words) daysBetween(a, b *date.Date) int {
	u := func(d *date.Date) time.Time {
		return time.Date(int(d.GetYear()), time.Month(d.GetMonth()), int(d.GetDay()), 0, 0, 0, 0, time.UTC)
	}
	return int(u(b).Sub(u(a)).Hours() / 24)
}
