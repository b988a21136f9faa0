package desk

import (
	"net/url"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	"github.com/visitwright/visitwright/clients/odds"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// careLines are what reception, nurse or clinician has to decide.
func (n *nowInputs) careLines() ([]*nowLine, error) {
	var out []*nowLine
	q := n.q
	reception := q.is(vw.Role_ROLE_RECEPTION)
	for _, a := range n.upcoming {
		switch a.GetState() {
		case vw.Appointment_STATE_ARRIVED:
			if n.mine(a) {
				out = append(out, n.waits(a))
			}
		case vw.Appointment_STATE_PROVISIONAL:
			if reception && n.firstOf(a) {
				out = append(out, n.runsOut(a))
			}
		case vw.Appointment_STATE_BOOKED:
			if late := int(n.q.now().Sub(startOf(a)).Minutes()); reception && late >= waitFor && a.GetExternal() == nil {
				out = append(out, n.missing(a, late))
			}
		}
		if reception && n.didNotCome(a) {
			l := n.line(a, rankToday, startOf(a))
			at := q.words.Clock(a.GetPlace().GetStart().GetTime())
			l.When, l.Why, l.Do = at, q.t("now.did-not-come", at), q.t("now.do-book")
			l.Link = "/patients/" + lastPart(a.GetPatient()) + "/book"
			if len(a.GetCases()) > 0 {
				l.Link = "/cases/" + lastPart(a.GetCases()[0]) + "/book"
			}
			out = append(out, l)
		}
		if reception && len(a.GetConflicts()) > 0 && a.GetExternal() == nil && ahead(a) {
			out = append(out, n.clashes(a))
		}
		if reception && ahead(a) {
			if l := n.outside(a); l != nil {
				out = append(out, l)
			}
		}
	}
	out = append(out, n.runningLines()...)
	if reception {
		mends, err := n.mends()
		if err != nil {
			return nil, err
		}
		out = append(out, mends...)
		out = append(out, n.bookLines()...)
	}
	if n.q.is(vw.Role_ROLE_RECEPTION, vw.Role_ROLE_CLINICIAN) {
		out = append(out, n.followLines(reception)...)
		out = append(out, n.messageLines()...)
	}
	out = append(out, n.caseLines()...)
	return out, n.nameThem(out)
}

// nameThem reads the patients of the lines that speak of days ahead.
func (n *nowInputs) nameThem(lines []*nowLine) error {
	var late []*vw.Appointment
	for _, l := range lines {
		if l.appointment != nil && l.Who == "" {
			late = append(late, l.appointment)
		}
	}
	if len(late) == 0 {
		return nil
	}
	who, err := n.q.whoIs(late)
	if err != nil {
		return err
	}
	for _, l := range lines {
		if l.appointment != nil && l.Who == "" {
			l.Who, l.Tooth = who.Patient(l.appointment.GetPatient()), who.Teeth(l.appointment)
		}
	}
	return nil
}

// waitFor is after how many minutes somebody who has not come is asked for.
const waitFor = 10

// firstOf reports whether an appointment is the first of what was booked
// together: a booking is one line.
func (n *nowInputs) firstOf(a *vw.Appointment) bool {
	for _, other := range n.upcoming {
		if other.GetBooking() == a.GetBooking() && other.GetState() == vw.Appointment_STATE_PROVISIONAL {
			return other == a
		}
	}
	return true
}

// missing says that a patient should be here.
func (n *nowInputs) missing(a *vw.Appointment, late int) *nowLine {
	q := n.q
	l := n.line(a, rankMinutes, startOf(a))
	l.When, l.Why, l.Do = q.words.Clock(a.GetPlace().GetStart().GetTime()), q.t("now.missing", q.words.Min(late)), q.t("now.do-missing")
	if phone := n.who.Phone(a.GetPatient()); phone != "" {
		l.Why += " " + q.t("now.phone", phone)
	}
	return l
}

// mine reports whether a clinician treats in this appointment; everybody else
// sees all.
func (n *nowInputs) mine(a *vw.Appointment) bool {
	own := n.q.me.GetClinician()
	return own == "" || clinicianOf(a.GetPlace()) == own
}

func (n *nowInputs) line(a *vw.Appointment, rank int, by time.Time) *nowLine {
	return &nowLine{rank: rank, by: by, appointment: a, Who: n.who.Patient(a.GetPatient()), Tooth: n.who.Teeth(a), Link: "/appointments/" + lastPart(a.GetName())}
}

func startOf(a *vw.Appointment) time.Time { return a.GetPlace().GetStart().GetInstantTime().AsTime() }

// waits says that a patient has arrived and is waiting.
func (n *nowInputs) waits(a *vw.Appointment) *nowLine {
	q := n.q
	l := n.line(a, rankMinutes, startOf(a))
	l.When = q.words.Clock(a.GetPlace().GetStart().GetTime())
	waited := 0
	if t := a.GetArriveTime(); t.IsValid() {
		waited = int(q.now().Sub(t.AsTime()).Minutes())
	}
	l.Why = q.t("now.waits", q.words.At(a.GetArriveTime()), q.words.Min(waited), n.house.Title(n.house.roomOf(a.GetPlace())))
	l.Do = q.t("now.do-open")
	if q.is(clinical...) && len(a.GetCases()) > 0 {
		l.Do, l.Link = q.t("now.do-begin"), "/cases/"+lastPart(a.GetCases()[0])+"/chair"
	}
	return l
}

// runsOut says that a provisional booking is about to end by itself.
func (n *nowInputs) runsOut(a *vw.Appointment) *nowLine {
	q := n.q
	by := a.GetExpireTime().AsTime()
	left := q.minutesUntil(by)
	rank := rankToday
	if left <= 60 {
		rank = rankMinutes
	} else if q.words.daysBetween(q.words.Today(), q.words.DayOf(a.GetExpireTime())) > 0 {
		rank = rankDays
	}
	l := n.line(a, rank, by)
	if l.When = q.t("now.in", q.words.TimeLeft(left)); left < 1 {
		l.When = q.t("now.at-once")
	}
	l.Why = q.t("now.runs-out", n.placesOf(a), q.words.When(a.GetExpireTime()))
	if phone := n.who.Phone(a.GetPatient()); phone != "" {
		l.Why += " " + q.t("now.phone", phone)
	}
	l.Do, l.Link = q.t("now.do-confirm"), "/bookings/"+lastPart(a.GetBooking())
	return l
}

// placesOf lists when the places of a provisional booking are.
func (n *nowInputs) placesOf(a *vw.Appointment) string {
	var out []string
	for _, other := range n.upcoming {
		if other.GetBooking() == a.GetBooking() && other.GetState() == vw.Appointment_STATE_PROVISIONAL {
			out = append(out, n.q.words.Local(other.GetPlace().GetStart()))
		}
	}
	return strings.Join(out, n.q.t("visit.and"))
}

// clashes says that another system's appointment lies over one of ours.
func (n *nowInputs) clashes(a *vw.Appointment) *nowLine {
	q := n.q
	l := n.line(a, n.rankOf(a), startOf(a))
	l.When = q.words.Local(a.GetPlace().GetStart())
	l.Why = q.t("now.clashes", n.house.With(a.GetPlace()))
	l.Do, l.Link = q.t("now.do-move"), l.Link+"/move"
	return l
}

func (n *nowInputs) rankOf(a *vw.Appointment) int {
	if n.q.words.daysBetween(n.q.words.Today(), a.GetPlace().GetStart().GetDate()) <= 0 {
		return rankToday
	}
	return rankDays
}

// outside says that hours or absences have left an appointment without its
// people or its room.
func (n *nowInputs) outside(a *vw.Appointment) *nowLine {
	q := n.q
	text := q.outsideHours(&dayInputs{date: a.GetPlace().GetStart().GetDate(), house: n.house, hours: n.hours}, a)
	if text == "" || a.GetExternal() != nil {
		return nil
	}
	l := n.line(a, n.rankOf(a), startOf(a))
	l.When, l.Why = q.words.Local(a.GetPlace().GetStart()), q.t("now.outside", text)
	l.Do, l.Link = q.t("now.do-move"), l.Link+"/move"
	return l
}

// runningLines are visits in the chair that run over or near their end.
func (n *nowInputs) runningLines() []*nowLine {
	q := n.q
	var out []*nowLine
	for _, a := range n.in.appointments {
		if a.GetState() != vw.Appointment_STATE_IN_CHAIR || !n.mine(a) {
			continue
		}
		r := q.runningWords(n.in, a)
		if r.Over == "" && !q.is(clinicians...) {
			continue
		}
		l := n.line(a, rankMinutes, startOf(a))
		l.When = r.Since
		l.Why = q.t("now.running", r.Minutes)
		if r.End != "" {
			l.Why += " " + q.t("now.running-end", r.End)
		}
		if r.Over != "" {
			l.Why += " " + q.t("now.running-over", r.Over)
		}
		l.Do = q.t("now.do-open")
		if r.Chair != "" && q.is(clinical...) {
			l.Do, l.Link = q.t("now.do-chair"), r.Chair
		}
		out = append(out, l)
	}
	return out
}

// mends are bookings that a newer plan has made too short, outside their window
// or needless.
func (n *nowInputs) mends() ([]*nowLine, error) {
	var out []*nowLine
	for _, a := range n.upcoming {
		c := n.who.firstCase(a)
		if !ahead(a) || c == nil || !stale(a, c) {
			continue
		}
		f, err := n.q.fit(a, c)
		if err != nil {
			return nil, err
		}
		if f == nil {
			continue
		}
		l := n.line(a, n.rankOf(a), startOf(a))
		l.When, l.Why, l.Do, l.Link = n.q.words.Local(a.GetPlace().GetStart()), f.Text, n.q.t("mend.go"), f.Link
		out = append(out, l)
	}
	return out, nil
}

// soonDays is how near the latest day of a return visit must be for it to stand
// on the opening page.
const soonDays = 7

// mostFollow is how many follow-ups the opening page lists; the Due list has the
// rest.
const mostFollow = 20

// followLines are follow-ups of whoever looks: return visits without a booking,
// decisions, calls to reviews that have passed their day.
func (n *nowInputs) followLines(reception bool) []*nowLine {
	q := n.q
	var out []*nowLine
	for _, f := range n.followUps {
		kind, state := followKind(f), followState(f)
		if state == "ahead" || state == "booked" {
			continue
		}
		left := q.words.daysBetween(q.words.Today(), f.GetLatestDate())
		// What the referring dentist owes reception asks for.
		mine := (f.GetActor() == "clinician") != reception
		past := kind == "return-visit" && left < 0
		switch {
		case past && !reception: // the plan changes: the clinician sees it too
		case !mine:
			continue
		case kind == "return-visit" && left > soonDays && state != "booked-outside", kind != "return-visit" && left > 0 && reception, len(out) == mostFollow:
			n.moreDue++
			continue
		}
		l := &nowLine{rank: rankDays, by: q.words.day(f.GetLatestDate()), Who: n.who.Patient(f.GetPatient()), Tooth: f.GetTooth(), When: n.latest(f.GetLatestDate()), Why: sentence(f.GetReason()),
			Do: q.t("now.do-open"), Link: "/cases/" + lastPart(f.GetCase())}
		switch {
		case left < 0:
			l.rank = rankPast
		case left == 0 || left == 1 && kind == "return-visit":
			l.rank = rankToday // a dressing has a clock; a review can wait for a day
		}
		if kind == "core" || kind == "restoration" || kind == "review" {
			l.Why = q.t("now.due", q.t("due.kind-"+kind), l.Why) // the reason alone does not say what is due
		}
		switch {
		case past:
			l.Why = q.t("now.past", sentence(f.GetReplan()))
			if l.Do = q.t("now.do-ask"); !reception {
				l.Do, l.Link = q.t("now.do-plan"), l.Link+"/options"
			}
		case kind == "return-visit" && state == "booked-outside":
			l.Why, l.Do, l.Link = q.t("now.booked-outside", sentence(f.GetReason())), q.t("now.do-mend"), l.Link+"/book"
		case kind == "return-visit":
			l.Why, l.Do, l.Link = q.t("now.return", sentence(f.GetReason())), q.t("now.do-book"), l.Link+"/book"
		case kind == "review" && reception:
			l.Do, l.Link = q.t("now.do-book"), l.Link+"/book?what=review"
		case (kind == "core" || kind == "restoration") && reception && f.GetFindOffers() != nil:
			l.Do, l.Link = q.t("now.do-book"), l.Link+"/book?"+url.Values{"due": {f.GetKey()}}.Encode()
		case kind == "re-assessment":
			l.Do, l.Link = q.t("now.do-assess"), l.Link+"/assess"
		}
		out = append(out, l)
	}
	return out
}

// latest says by when something must be.
func (n *nowInputs) latest(d *date.Date) string {
	if d.GetDay() == 0 {
		return ""
	}
	return n.q.t("now.by", n.q.words.Date(d), n.q.words.Near(d))
}

// messageLines are messages that did not leave.
func (n *nowInputs) messageLines() []*nowLine {
	q := n.q
	if len(n.failed) == 0 || !q.is(vw.Role_ROLE_RECEPTION) {
		return nil
	}
	var out []*nowLine
	for _, m := range n.failed {
		l := &nowLine{rank: rankToday, by: m.GetNotBeforeTime().AsTime(), When: q.words.When(m.GetNotBeforeTime()), Who: n.who.Patient(m.GetPatient()), Why: q.t("now.message", m.GetProblem()),
			Do: q.t("now.do-message"), Link: "/messages?state=" + m.GetState()}
		if phone := n.who.Phone(m.GetPatient()); phone != "" {
			l.Why += " " + q.t("now.phone", phone)
		}
		out = append(out, l)
	}
	return out
}

// caseLines are cases that wait for a clinician: to be assessed, planned,
// accepted.
func (n *nowInputs) caseLines() []*nowLine {
	q := n.q
	own := q.me.GetClinician()
	var out []*nowLine
	for _, c := range n.cases {
		if own != "" && c.GetClinician() != "" && c.GetClinician() != own {
			continue
		}
		l := &nowLine{rank: rankDays, by: c.GetCreateTime().AsTime(), Who: n.who.Patient(c.GetPatient()), Tooth: q.words.Tooth(c.GetTooth()), When: q.words.Date(q.words.DayOf(c.GetCreateTime()))}
		switch u := c.GetReferral().GetUrgency(); u {
		case vw.Referral_URGENCY_EMERGENCY:
			l.rank = rankMinutes
		case vw.Referral_URGENCY_SOON:
			l.rank = rankToday
		}
		path := "/cases/" + lastPart(c.GetName())
		switch {
		case c.GetState() == vw.Case_STATE_REFERRED && c.GetLatestAssessment() == "":
			l.Why, l.Do, l.Link = q.t("now.to-assess"), q.t("now.do-assess"), path+"/assess"
		case c.GetState() == vw.Case_STATE_ASSESSED && c.GetLatestPlan() == "":
			l.Why, l.Do, l.Link = q.t("now.to-plan"), q.t("now.do-plan"), path+"/options"
		case c.GetState() == vw.Case_STATE_ASSESSED:
			l.Why, l.Do, l.Link = q.t("now.to-accept"), q.t("now.do-accept"), path+"/options"
		default:
			continue
		}
		out = append(out, l)
	}
	return out
}

// managerLines are what the manager of the practice must see to.
func (n *nowInputs) managerLines() []*nowLine {
	q := n.q
	var out []*nowLine
	for _, j := range n.jobs {
		if j.GetFailuresInRow() == 0 {
			continue
		}
		last := q.t("now.never")
		if j.GetLastSuccessTime().IsValid() {
			last = q.words.When(j.GetLastSuccessTime())
		}
		out = append(out, &nowLine{rank: rankToday, by: j.GetLastStartTime().AsTime(), When: q.words.When(j.GetLastStartTime()), Who: sentenceStart(q.t("practice.job-" + j.GetId())),
			Why: q.t("now.job-fails", j.GetFailuresInRow(), last), Do: q.t("now.do-practice"), Link: "/practice"})
	}
	if r := n.report; r.GetVisits() > 0 && (r.GetCoverageMeant() < r.GetCoverageLow() || r.GetCoverageMeant() > r.GetCoverageHigh()) {
		why := q.t("now.coverage-less", odds.Share(r.GetCoverage()), odds.Words(r.GetCoverageMeant()), r.GetVisits())
		if r.GetCoverageMeant() < r.GetCoverageLow() {
			why = q.t("now.coverage-more", odds.Share(r.GetCoverage()), odds.Words(r.GetCoverageMeant()), r.GetVisits())
		}
		out = append(out, &nowLine{rank: rankDays, by: q.now(), Who: q.t("now.lengths"), Why: why, Do: q.t("now.do-pace"), Link: "/pace"})
	}
	if h := n.house; h != nil && (len(h.Clinicians) == 0 || len(h.Rooms) == 0) {
		out = append(out, &nowLine{rank: rankToday, by: q.now(), Who: q.t("bar.practice"), Why: q.t("now.nobody-yet"), Do: q.t("now.do-practice"), Link: "/practice"})
	}
	return out
}
