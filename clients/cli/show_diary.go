package cli

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/genproto/googleapis/type/timeofday"
)

// clock writes a local time of day, "09:30".
func clock(minutes int) string { return fmt.Sprintf("%02d:%02d", minutes/60, minutes%60) }

// startMinute is the local minute of the day at which a place begins.
func startMinute(p *vw.Place) int {
	t := p.GetStart().GetTime()
	return int(t.GetHours())*60 + int(t.GetMinutes())
}

// startDay is the local day on which a place begins, at midnight UTC so that it
// can be counted with.
func startDay(p *vw.Place) time.Time { return dayOf(p.GetStart().GetDate()) }

func dayOf(d *date.Date) time.Time {
	return time.Date(int(d.GetYear()), time.Month(d.GetMonth()), int(d.GetDay()), 0, 0, 0, 0, time.UTC)
}

func dateOf(day time.Time) *date.Date {
	return &date.Date{Year: int32(day.Year()), Month: int32(day.Month()), Day: int32(day.Day())}
}

// dayWords is a day as people say it, "Mon 1 Mar 2027".
func dayWords(day time.Time) string { return day.Format("Mon 2 Jan 2006") }

// when is a place's day and span, "Mon 1 Mar 2027 09:00-10:30".
func when(p *vw.Place) string {
	from := startMinute(p)
	return fmt.Sprintf("%s %s-%s", dayWords(startDay(p)), clock(from), endClock(p))
}

// endClock is when a place ends; minutes after midnight go on counting, so that
// a late end reads "24:15" rather than a time of the same morning.
func endClock(p *vw.Place) string { return clock(startMinute(p) + int(p.GetMinutes())) }

// names of clinicians and resources by their resource names.
type titles map[string]string

func (t titles) of(name string) string {
	if title := t[name]; title != "" {
		return title
	}
	return shortID(name)
}

// with lists who and what a place holds, by title.
func (t titles) with(p *vw.Place) string {
	var list []string
	for _, h := range p.GetHolds() {
		if title := t.of(h.GetResource()); !slices.Contains(list, title) {
			list = append(list, title)
		}
	}
	return strings.Join(list, ", ")
}

// titles reads the titles of every clinician and resource of the practice.
func (s *Session) titles() (titles, error) {
	t := titles{}
	clinicians, err := s.planner().ListClinicians(s.Context, &vw.ListCliniciansRequest{Parent: s.parent(), PageSize: 1000})
	if err != nil {
		return nil, err
	}
	for _, c := range clinicians.GetClinicians() {
		t[c.GetName()] = c.GetTitle()
	}
	resources, err := s.Client.Diary.ListResources(s.Context, &vw.ListResourcesRequest{Parent: s.parent(), PageSize: 1000})
	if err != nil {
		return nil, err
	}
	for _, r := range resources.GetResources() {
		t[r.GetName()] = r.GetTitle()
	}
	return t, nil
}

// mark of an appointment's state in a list.
func stateWords(a *vw.Appointment) string {
	text := words(a.GetState().String(), "STATE_")
	if a.GetState() == vw.Appointment_STATE_CANCELLED && a.GetExpireTime().IsValid() {
		text = "let go before it was booked"
	}
	if a.GetIfNeeded() {
		text += ", if needed"
	}
	if len(a.GetConflicts()) > 0 {
		text += ", IN CONFLICT"
	}
	return text
}

// whatFor says what an appointment is for.
func whatFor(a *vw.Appointment) string {
	switch {
	case len(a.GetParts()) > 0:
		var list []string
		for i, part := range a.GetParts() {
			text := fmt.Sprintf("visit %d", part.GetVisit())
			if i < len(a.GetCases()) {
				text += " of case " + shortID(a.GetCases()[i])
			}
			list = append(list, text)
		}
		return strings.Join(list, "; ")
	case a.GetExternal() != nil:
		return "from " + a.GetExternal().GetSystem() + " " + a.GetExternal().GetValue()
	}
	return ""
}

// calledFor says in few words that an urgent call led to an appointment. What the
// caller said in their own words is left to the appointment itself.
func calledFor(o *vw.CallOccasion) string {
	if o == nil {
		return ""
	}
	text := "urgent call"
	if o.GetTrouble() != "" {
		text += ", " + callWords(o.GetTrouble(), "")
	}
	if len(o.GetRaisedFlags()) > 0 {
		text += ", RED FLAG"
	}
	return text
}

// ShowDay writes one day of the diary, the appointments in the order in which
// they begin.
func ShowDay(p *Page, day time.Time, appointments []*vw.Appointment, t titles) {
	p.Title("%s", dayWords(day))
	list := ofDay(appointments, day)
	if len(list) == 0 {
		p.Text("Nothing is booked.")
	}
	for _, a := range list {
		p.marked(clock(startMinute(a.GetPlace()))+"-"+endClock(a.GetPlace())+"  ", stateWords(a)+": "+t.with(a.GetPlace()))
		p.marked(strings.Repeat(" ", 13), strings.Join(nonEmpty(whatFor(a), calledFor(a.GetOccasion()), "appointment "+shortID(a.GetName())), "; "))
	}
}

// ofDay picks the appointments of a day in the order in which they begin.
func ofDay(appointments []*vw.Appointment, day time.Time) []*vw.Appointment {
	var list []*vw.Appointment
	for _, a := range appointments {
		if startDay(a.GetPlace()).Equal(day) {
			list = append(list, a)
		}
	}
	slices.SortStableFunc(list, func(a, b *vw.Appointment) int {
		return cmp.Or(cmp.Compare(startMinute(a.GetPlace()), startMinute(b.GetPlace())), strings.Compare(a.GetName(), b.GetName()))
	})
	return list
}

// weekSlot is the height of one line of the drawn week, in minutes.
const weekSlot = 30

// ShowWeek draws seven days side by side from the first day: a column a day, a
// line each half hour. A cell counts what is booked then.
func ShowWeek(p *Page, first time.Time, appointments []*vw.Appointment) {
	p.Title("Week from %s", dayWords(first))
	from, to := 24*60, 0
	var busy [7][24 * 60 / weekSlot]int
	for d := range busy {
		for _, a := range ofDay(appointments, first.AddDate(0, 0, d)) {
			start := startMinute(a.GetPlace())
			end := min(start+int(a.GetPlace().GetMinutes()), 24*60)
			from, to = min(from, start), max(to, end)
			for slot := start / weekSlot; slot*weekSlot < end; slot++ {
				busy[d][slot]++
			}
		}
	}
	if to == 0 {
		p.Text("Nothing is booked.")
		return
	}
	head := []string{""}
	for d := range busy {
		head = append(head, first.AddDate(0, 0, d).Format("Mon 2 Jan"))
	}
	var rows [][]string
	for slot := from / weekSlot; slot*weekSlot < to; slot++ {
		row := []string{clock(slot * weekSlot)}
		for d := range busy {
			cell := "."
			if n := busy[d][slot]; n > 0 {
				cell = strings.Repeat("#", min(n, 9))
			}
			row = append(row, cell)
		}
		rows = append(rows, row)
	}
	p.Table(head, rows)
	p.Text("Each # is one appointment in that half hour; more than nine are drawn as nine.")
}

// ShowOffers writes offers as a table, one block for each, with the reasons why
// it stands where it stands.
func ShowOffers(p *Page, reply *vw.FindOffersResponse, t titles) {
	if len(reply.GetOffers()) == 0 {
		p.Title("No offer")
		p.Text("No set of places fits. What stands in the way, the cheapest to relax first:")
		for _, b := range reply.GetBinding() {
			p.Item("%s", b.GetText())
			if b.GetRelaxing() != "" {
				p.Under("relaxed: %s", b.GetRelaxing())
			}
		}
		return
	}
	p.Title("%s", plural(len(reply.GetOffers()), "offer", "offers"))
	var rows [][]string
	for i, o := range reply.GetOffers() {
		for v, place := range o.GetPlaces() {
			number, cost, after := "", "", ""
			if v == 0 {
				number, cost = fmt.Sprint(i+1), fmt.Sprint(o.GetCost())
			}
			if place.DaysAfterPrevious != nil {
				after = fmt.Sprintf("+%s", plural(int(place.GetDaysAfterPrevious()), "day", "days"))
			}
			if place.GetIfNeeded() {
				after = strings.TrimPrefix(after+", if needed", ", ")
			}
			rows = append(rows, []string{number, cost, fmt.Sprint(v + 1), when(place.GetPlace()), after, t.with(place.GetPlace())})
		}
	}
	p.Table([]string{">offer", ">cost", ">visit", "when", "", "with"}, rows)
	before := ""
	for i, o := range reply.GetOffers() {
		var list []string
		for _, r := range o.GetReasons() {
			list = append(list, fmt.Sprintf("%s (%d)", r.GetText(), r.GetCost()))
		}
		switch text := strings.Join(list, "; "); text {
		case "":
		case before:
			p.Item("offer %d: the same", i+1)
		default:
			p.Item("offer %d: %s", i+1, text)
			before = text
		}
		for _, place := range o.GetPlaces() {
			for _, w := range place.GetWarnings() {
				p.Under("mind: %s", w.GetText())
			}
		}
	}
	p.Gap()
	p.Text("Book one with: visitwright book NUMBER")
}

// ShowAppointment writes one appointment.
func ShowAppointment(p *Page, a *vw.Appointment, t titles) {
	p.Title("Appointment %s", shortID(a.GetName()))
	p.Field("when", "%s (%s)", when(a.GetPlace()), a.GetPlace().GetStart().GetZone())
	p.Field("state", "%s", stateWords(a))
	p.Field("with", "%s", t.with(a.GetPlace()))
	if text := whatFor(a); text != "" {
		p.Field("for", "%s", text)
	}
	if a.GetPatient() != "" {
		p.Field("patient", "%s", shortID(a.GetPatient()))
	}
	if a.GetBooking() != "" {
		p.Field("booking", "%s", shortID(a.GetBooking()))
	}
	if a.GetExpireTime() != nil && a.GetState() == vw.Appointment_STATE_PROVISIONAL {
		p.Field("kept until", "%s UTC", a.GetExpireTime().AsTime().Format("2006-01-02 15:04"))
	}
	if a.GetLateMinutes() > 0 {
		p.Field("late", "%d min lost", a.GetLateMinutes())
	}
	if o := a.GetLateOutlook(); o != nil {
		p.Field("what is left", "%s", sentence(o.GetText()))
	}
	if a.GetProtocol() != "" && len(a.GetParts()) == 0 {
		p.Field("for", "%s", words(a.GetProtocol(), ""))
	}
	showOccasion(p, a.GetOccasion())
	if o := a.GetOverride(); o != nil {
		p.Field("outside window", "decided by %s: %s", shortID(o.GetClinician()), o.GetReason())
	}
	for _, c := range a.GetConflicts() {
		p.Field("in conflict with", "%s", shortID(c))
	}
}

func showEffects(p *Page, effects []*vw.PlaceEffect) {
	for _, e := range effects {
		p.Item("%s", e.GetText())
	}
}

// parseClock reads "09:30"; "24:00" is the end of a day.
func parseClock(flag, text string) (*timeofday.TimeOfDay, error) {
	var h, m int
	if n, err := fmt.Sscanf(text, "%d:%d", &h, &m); n != 2 || err != nil || h < 0 || h > 24 || m < 0 || m > 59 || h == 24 && m > 0 || len(text) > 5 {
		return nil, usage("%s %q: want a time as HH:MM, for example 09:30", flag, text)
	}
	return &timeofday.TimeOfDay{Hours: int32(h), Minutes: int32(m)}, nil
}

// parseStart reads "2027-03-01 09:00" or "2027-03-01T09:00".
func parseStart(flag, text string) (*vw.LocalDateTime, error) {
	day, at, found := strings.Cut(strings.Replace(text, "T", " ", 1), " ")
	if !found {
		return nil, usage("%s %q: want a day and a time, for example \"2027-03-01 09:00\"", flag, text)
	}
	d, err := parseDate(flag, day)
	if err != nil {
		return nil, err
	}
	t, err := parseClock(flag, at)
	if err != nil {
		return nil, err
	}
	return &vw.LocalDateTime{Date: d, Time: t}, nil
}
