package desk

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var nowRoutes = []route{
	{"GET /{$}", everybody, (*ask).nowPage},
}

// nowPage is the opening page: what needs whoever is signed in, the most urgent
// first.
type nowPage struct {
	oneEach
	Groups []nowGroup
	// Next are the visits of today that are still to come or running.
	Next []*nextVisit
	// SetOut is what the nurse sets out for the next visits.
	SetOut []setOut
	// Figures are lines of the practice for its manager.
	Figures []string
	Waiting int // on the short-notice list
	More    int // visits of today that the page has no room for
	// Chair are the visits that run; Earlier how many should be over and are not
	// marked.
	Chair   []*nextVisit
	Earlier int
	MoreDue int // tasks of the role on the Due list that the page does not show
}

// oneEach gives each of a page's small forms a request id of its own.
type oneEach struct{}

// RequestID is a new one each time.
func (oneEach) RequestID() string { return newRequestID() }

// nowGroup is a run of lines of one urgency.
type nowGroup struct {
	Key   string
	Lines []*nowLine
}

// nowLine is one thing to decide: who, why, and what to do about it.
type nowLine struct {
	rank int
	by   time.Time
	// appointment is what it is about, while the patient has not been read yet.
	appointment *vw.Appointment
	When        string
	Who         string
	Tooth       string
	Why         string
	Do          string // words of the action
	Link        string
}

// nextVisit is a visit of today with the step that comes next.
type nextVisit struct {
	*dayVisit
	ID    string
	Begin time.Time
	Mine  bool
	// Ours is set where arriving is noted here by one tap.
	Ours bool
}

type setOut struct {
	Time, Who, Tooth, Link string
	Things                 []string
	Alerts                 []string
}

// The urgencies, and within them the day or minute by which something is due.
const (
	rankMinutes = iota
	rankPast
	rankToday
	rankDays
)

var rankKeys = []string{"minutes", "past", "today", "days"}

func (q *ask) nowPage() (*page, error) {
	p := &nowPage{}
	n := &nowInputs{q: q}
	if err := n.read(); err != nil {
		return nil, err
	}
	var lines []*nowLine
	var err error
	if q.is(careTeam...) {
		if lines, err = n.careLines(); err != nil {
			return nil, err
		}
		n.next(p)
		p.MoreDue = n.moreDue
		p.Waiting = n.waiting
	}
	if q.is(vw.Role_ROLE_NURSE) {
		if p.SetOut, err = n.setOut(); err != nil {
			return nil, err
		}
	}
	if q.is(managers...) {
		lines = append(lines, n.managerLines()...)
		p.Figures = n.report.GetLines()
	}
	slices.SortStableFunc(lines, func(a, b *nowLine) int { return cmp.Or(a.rank-b.rank, a.by.Compare(b.by)) })
	for _, l := range lines {
		key := rankKeys[l.rank]
		if k := len(p.Groups); k == 0 || p.Groups[k-1].Key != key {
			p.Groups = append(p.Groups, nowGroup{Key: key})
		}
		g := &p.Groups[len(p.Groups)-1]
		g.Lines = append(g.Lines, l)
	}
	return &page{name: "now", title: q.t("now.title"), section: "now", data: p}, nil
}

// lookAhead is for how many days bookings are looked through for what does not
// fit any more.
const lookAhead = 14

// nowInputs is what the opening page is made from.
type nowInputs struct {
	q         *ask
	in        *dayInputs // today
	upcoming  []*vw.Appointment
	followUps []*vw.FollowUp
	failed    []*vw.Message
	cases     []*vw.Case // open, the newest, for clinicians
	toBook    []*vw.Case // planned, with nothing booked, for reception
	jobs      []*vw.Job
	report    *vw.CalibrationReport
	waiting   int
	moreDue   int // follow-ups of the role that get no line of their own
	house     *house
	who       *who
	hours     *openHours
}

// read asks for everything that the role has to see, side by side.
func (n *nowInputs) read() error {
	q := n.q
	today := q.words.Today()
	days := &vw.DateRange{FirstDate: today, LastDate: q.words.addDays(today, lookAhead)}
	n.in = &dayInputs{date: today, running: map[string]*vw.ChairVisit{}}
	g := errgroup.Group{}
	if q.is(careTeam...) {
		g.Go(func() error { return n.readDiary(days) })
		g.Go(func() (err error) {
			list, err := q.followUp().ListFollowUps(q, &vw.ListFollowUpsRequest{Parent: q.practice, PageSize: mostInList})
			n.followUps = list.GetFollowUps()
			return err
		})
		g.Go(func() (err error) {
			for _, state := range []string{"failed", "uncertain"} {
				list, err := q.followUp().ListMessages(q, &vw.ListMessagesRequest{Parent: q.practice, PageSize: 50, State: state})
				if err != nil {
					return err
				}
				n.failed = append(n.failed, list.GetMessages()...)
			}
			return nil
		})
	}
	if q.is(vw.Role_ROLE_RECEPTION) {
		g.Go(func() error {
			list, err := q.diary().ListShortNoticeEntries(q, &vw.ListShortNoticeEntriesRequest{Parent: q.practice, PageSize: mostInList})
			n.waiting = len(list.GetEntries())
			return err
		})
	}
	if q.is(vw.Role_ROLE_RECEPTION, vw.Role_ROLE_CLINICIAN) {
		g.Go(func() error {
			list, err := q.planner().ListCases(q, &vw.ListCasesRequest{Parent: q.practice, PageSize: 200, Filter: &vw.CaseFilter{OpenOnly: true}})
			n.cases = list.GetCases()
			return err
		})
	}
	if q.is(managers...) {
		g.Go(func() error {
			list, err := q.followUp().ListJobs(q, &vw.ListJobsRequest{Parent: q.practice})
			n.jobs = list.GetJobs()
			return err
		})
		g.Go(func() (err error) {
			n.report, err = q.chair().GetCalibrationReport(q, &vw.GetCalibrationReportRequest{Parent: q.practice})
			return err
		})
		g.Go(func() (err error) { n.house, err = q.house(); return err })
	}
	if err := g.Wait(); err != nil {
		return err
	}
	if !q.is(careTeam...) {
		return nil
	}
	// Whose follow-ups and messages these are, beside those of the diary.
	var names []string
	for _, f := range n.followUps {
		names = append(names, f.GetPatient(), f.GetCase())
	}
	for _, m := range n.failed {
		names = append(names, m.GetPatient())
	}
	if q.is(vw.Role_ROLE_RECEPTION) {
		if err := n.unbooked(); err != nil {
			return err
		}
	}
	for _, c := range slices.Concat(n.cases, n.toBook) {
		names = append(names, c.GetPatient())
	}
	// Of what lies ahead only the cases are needed, to see what a newer plan did to
	// it: a large practice has thousands of appointments there.
	shown := slices.Clone(n.in.appointments)
	for _, a := range n.upcoming {
		if a.GetState() == vw.Appointment_STATE_PROVISIONAL || len(a.GetConflicts()) > 0 {
			shown = append(shown, a)
		} else if len(a.GetParts()) > 0 {
			names = append(names, a.GetCases()...)
		}
	}
	var err error
	if n.who, err = q.whoIs(shown, names...); err != nil {
		return err
	}
	n.in.who, n.in.house, n.in.hours = n.who, n.house, n.hours
	return q.readRunning(n.in)
}

func (n *nowInputs) readDiary(days *vw.DateRange) error {
	q := n.q
	g := errgroup.Group{}
	g.Go(func() (err error) {
		n.upcoming, err = q.appointmentsOf(&vw.ListAppointmentsRequest{Days: days})
		for _, a := range n.upcoming {
			if q.words.daysBetween(days.GetFirstDate(), a.GetPlace().GetStart().GetDate()) == 0 {
				n.in.appointments = append(n.in.appointments, a)
			}
		}
		return err
	})
	g.Go(func() (err error) {
		n.house, err = q.house()
		return err
	})
	g.Go(func() (err error) {
		n.hours, err = q.openHours(days)
		return err
	})
	return g.Wait()
}

// mostNext is how many visits of today the opening page lists.
const mostNext = 14

// next sorts the visits of today: those in the chair, those still to come or
// waiting, by their start, and how many should have begun and are not marked.
// What another system sent and has begun is that system's business.
func (n *nowInputs) next(p *nowPage) {
	for _, a := range n.in.appointments {
		start := startOf(a)
		late := n.q.now().Sub(start).Minutes()
		v := &nextVisit{ID: lastPart(a.GetName()), Begin: start, Ours: a.GetState() == vw.Appointment_STATE_BOOKED && a.GetExternal() == nil,
			Mine: n.q.me.GetClinician() != "" && clinicianOf(a.GetPlace()) == n.q.me.GetClinician()}
		switch {
		case a.GetState() == vw.Appointment_STATE_LEFT || !live(a) || a.GetExternal() != nil && late > 0 && ahead(a):
			continue
		case a.GetState() == vw.Appointment_STATE_IN_CHAIR:
			v.dayVisit = n.q.dayVisit(n.in, a)
			p.Chair = append(p.Chair, v)
			continue
		case ahead(a) && late >= waitFor:
			p.Earlier++
			continue
		case len(p.Next) == mostNext:
			p.More++
			continue
		}
		v.dayVisit = n.q.dayVisit(n.in, a)
		p.Next = append(p.Next, v)
	}
}

// For how many visits the nurse is told what to set out, and how many days
// ahead: over a weekend, what comes on Monday.
const (
	mostSetOut = 3
	setOutDays = 3
)

// setOut says what the nurse sets out for the next visits, today's first; late
// in the day these are tomorrow's.
func (n *nowInputs) setOut() ([]setOut, error) {
	var list []*vw.Appointment
	for _, a := range n.upcoming {
		if n.q.words.daysBetween(n.q.words.Today(), a.GetPlace().GetStart().GetDate()) > setOutDays {
			break
		}
		if len(a.GetParts()) > 0 && (ahead(a) || a.GetState() == vw.Appointment_STATE_ARRIVED) && len(list) < mostSetOut {
			list = append(list, a)
		}
	}
	out := make([]setOut, len(list))
	who, err := n.q.whoIs(list)
	if err != nil {
		return nil, err
	}
	g := errgroup.Group{}
	for i, a := range list {
		g.Go(func() error {
			out[i] = setOut{Time: n.q.words.When(a.GetPlace().GetStart().GetInstantTime()), Who: who.Patient(a.GetPatient()), Tooth: who.Teeth(a), Link: "/cases/" + lastPart(a.GetCases()[0]) + "/sheet"}
			sheet, err := n.q.planner().GetVisitSheet(n.q, &vw.GetVisitSheetRequest{Parts: a.GetParts()})
			if err != nil {
				if canMend(refusal(err)) {
					return nil // the sheet itself says why it cannot be made
				}
				return err
			}
			out[i].Things = sheet.GetSetOut()
			for _, alert := range sheet.GetAlerts() {
				out[i].Alerts = append(out[i].Alerts, alert.GetEffect())
			}
			return nil
		})
	}
	return out, g.Wait()
}

// followKind is the kind of a follow-up as its catalogue id, whatever joins its
// words.
func followKind(f *vw.FollowUp) string { return strings.ReplaceAll(f.GetKind(), " ", "-") }

func followState(f *vw.FollowUp) string { return strings.ReplaceAll(f.GetState(), " ", "-") }
