package scheduler

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/followup"
	"github.com/visitwright/visitwright/store"
)

// reportTitles are the letters by their occasion.
var reportTitles = map[string]string{
	"consultation": "Report after consultation", "finish": "Report after treatment", "stop": "Report after treatment was stopped", "review": "Report after review",
}

// reportClosing stands below every letter.
const reportClosing = "This letter was put together from the record; it carries no signature until a clinician has read it."

// letterOf is one letter while it is put together.
type letterOf struct {
	care   store.Care
	at     surroundings
	events []followup.Event
	state  followup.Case
	plan   *vw.Plan // the newest; nil when there is none
	today  civil.Date
}

// GetReport writes the letter to the referring dentist: what was found and
// done, what is asked of them and by when.
func (f *FollowUps) GetReport(ctx context.Context, r *vw.GetReportRequest) (*vw.Report, error) {
	caller, err := f.diary.who(ctx)
	if err != nil {
		return nil, err
	}
	n, err := caller.One(names.CasePattern, "case", r.GetCase(), vw.ErrorReason_ERROR_REASON_CASE_NOT_FOUND)
	if err != nil {
		return nil, err
	}
	l := &letterOf{}
	if l.at, err = f.surroundings(ctx, caller.Practice); err != nil {
		return nil, f.diary.fault(err, caller, nil)
	}
	if l.care, err = f.store.ReadCare(ctx, caller.Call, n.ID); err != nil {
		return nil, f.diary.fault(err, caller, nil)
	}
	patient, err := f.diary.store.GetPatient(ctx, caller.Reading(), l.care.Case.PatientID)
	if err != nil {
		return nil, f.diary.fault(err, caller, nil)
	}
	if l.plan, err = f.newestPlan(ctx, caller, l.care.Case); err != nil {
		return nil, err
	}
	if err := f.readEvents(l); err != nil {
		return nil, err
	}
	occasion := r.GetOccasion()
	if (occasion == "finish" && l.state.Filled == nil) || (occasion == "review" && (l.state.Reviews == nil || len(l.state.Reviews.Held) == 0)) {
		return nil, notTreated(r.GetCase())
	}
	out := &vw.Report{Case: r.GetCase(), PracticeTitle: l.at.practice.Name, Telephone: l.at.messages.Phone, Date: dateToProto(l.today), Title: reportTitles[occasion],
		PatientReference: patient.Reference, Tooth: toothWords(l.care.Case.Tooth), Diagnosis: f.diagnosisWords(l.care.Case.Diagnosis), Closing: reportClosing}
	if q := l.care.Case.Referral; q != nil {
		out.Question = q.Question
	}
	if occasion == "consultation" {
		out.Sections = append(out.Sections, l.found(), l.proposed())
	}
	out.Sections = append(out.Sections, l.done())
	ahead, err := l.ahead()
	if err != nil {
		return nil, err
	}
	out.Sections = append(out.Sections, ahead...)
	out.Text = reportText(out)
	return out, nil
}

func (f *FollowUps) newestPlan(ctx context.Context, c Caller, of store.Case) (*vw.Plan, error) {
	if of.Revision == 0 {
		return nil, nil
	}
	r, err := f.diary.store.GetPlanRevision(ctx, c.Reading(), of.ID, of.Revision)
	if err != nil {
		return nil, f.diary.fault(err, c, nil)
	}
	plan := &vw.Plan{}
	if err := proto.Unmarshal(r.Document, plan); err != nil {
		return nil, fmt.Errorf("plan %d: %w", of.Revision, err)
	}
	plan.RecommendedOption = r.Recommended
	if r.Acceptance != nil {
		plan.Accepted = &vw.AcceptedOption{Option: r.Acceptance.Option}
	}
	return plan, nil
}

func (f *FollowUps) readEvents(l *letterOf) error {
	recorded, err := eventsOf(l.care.Document)
	if err != nil {
		return err
	}
	if l.events, err = f.withVisits(l.care, recorded, l.at.zone); err != nil {
		return err
	}
	l.today = l.at.zone.Date(l.care.Now)
	l.state, _, err = followup.Fold(l.events, l.today)
	return err
}

// found is what the consultation came to.
func (l *letterOf) found() *vw.ReportSection {
	s := &vw.ReportSection{Id: "finding", Title: "What was found"}
	a := l.plan.GetAssessment()
	if level := a.GetDifficulty().GetLevel(); level != vw.Difficulty_LEVEL_UNSPECIFIED {
		s.Items = append(s.Items, &vw.ReportItem{Text: "difficulty of the treatment: " + strings.ToLower(strings.TrimPrefix(level.String(), "LEVEL_"))})
	}
	if n := a.GetCanals().GetBelief().GetExpected(); n > 0 {
		text := fmt.Sprintf("%d canals expected", n)
		if n == 1 {
			text = "1 canal expected"
		}
		if further := a.GetCanals().GetFurtherCanal().GetWords(); further != "" {
			text += "; " + further
		}
		s.Items = append(s.Items, &vw.ReportItem{Text: text})
	}
	if len(s.GetItems()) == 0 {
		s.Items = append(s.Items, &vw.ReportItem{Text: "no assessment is on record"})
	}
	return s
}

// proposed is the plan in a few lines, and whether anybody agreed to it.
func (l *letterOf) proposed() *vw.ReportSection {
	s := &vw.ReportSection{Id: "plan", Title: "What is proposed"}
	accepted := l.plan.GetAccepted().GetOption()
	id := accepted
	if id == "" {
		id = l.plan.GetRecommendedOption()
	}
	i := slices.IndexFunc(l.plan.GetOptions(), func(o *vw.TreatmentOption) bool { return o.GetId() == id })
	if i < 0 {
		s.Items = append(s.Items, &vw.ReportItem{Text: "no plan yet"})
		return s
	}
	o := l.plan.GetOptions()[i]
	text := strings.ToLower(o.GetTitle()) + ": " + l.plan.GetTitle()
	if accepted != "" {
		text += "; accepted"
	} else {
		text += "; not yet accepted"
	}
	s.Items = append(s.Items, &vw.ReportItem{Text: text})
	for n, odds := range o.GetCompleteBy() {
		if n < len(o.GetVisits()) {
			s.Items = append(s.Items, &vw.ReportItem{Text: odds.GetWords()})
		}
	}
	return s
}

func (l *letterOf) done() *vw.ReportSection {
	s := &vw.ReportSection{Id: "done", Title: "What was done"}
	for _, e := range l.events {
		if e.Kind != followup.PutOffTo {
			s.Items = append(s.Items, &vw.ReportItem{Text: eventWords(e), Date: dateToProto(e.On)})
		}
	}
	if len(s.GetItems()) == 0 {
		s.Items = append(s.Items, &vw.ReportItem{Text: "The tooth was looked at; no treatment was begun."})
	}
	if c := l.care.Case; c.State == store.CaseClosed {
		s.Items = append(s.Items, &vw.ReportItem{Date: dateToProto(l.at.zone.Date(c.CloseTime)), Text: "case closed here: " + closingWords[c.ClosingReason]})
	}
	return s
}

var closingWords = map[store.ClosingReason]string{
	store.ClosedHealed: "healed and discharged", store.ClosedExtracted: "the tooth was extracted", store.ClosedDeclined: "the patient declined further treatment",
	store.ClosedTransferred: "treatment passed on", store.ClosedLost: "the patient could not be reached any more", store.ClosedDied: "the patient died",
}

// staysOpen reports whether the tooth still needs somebody once the case is
// closed here.
func staysOpen(r store.ClosingReason) bool {
	return r == store.ClosedDeclined || r == store.ClosedTransferred || r == store.ClosedLost
}

// ahead is what is asked of the referring dentist, and what is done here. What
// a case that was closed here leaves open is theirs to see to.
func (l *letterOf) ahead() ([]*vw.ReportSection, error) {
	asked := &vw.ReportSection{Id: "asked-of-you", Title: "What is asked of you"}
	ours := &vw.ReportSection{Id: "we-do", Title: "What we do"}
	closed := l.care.Case.State == store.CaseClosed
	state := l.state
	state.Closed = closed && !staysOpen(l.care.Case.ClosingReason)
	list, err := followup.Derive(state, l.at.calendar, l.today)
	if err != nil {
		return nil, err
	}
	for _, x := range list {
		item := &vw.ReportItem{FromDate: dateToProto(x.Earliest), BestDate: dateToProto(x.Target), ByDate: dateToProto(x.Latest), Because: x.Reason}
		if x.Replan != "" {
			item.Because += "; the latest day has passed: " + x.Replan
		}
		if closed || x.Actor == followup.Referrer {
			item.Text = askedWords[x.Kind]
			asked.Items = append(asked.Items, item)
			continue
		}
		item.Text = string(x.Kind)
		ours.Items = append(ours.Items, item)
	}
	if len(asked.GetItems()) == 0 {
		asked.Items = append(asked.Items, &vw.ReportItem{Text: "Nothing for now."})
	}
	if len(ours.GetItems()) == 0 {
		ours.Items = append(ours.Items, &vw.ReportItem{Text: "Nothing is open."})
	}
	return []*vw.ReportSection{asked, ours}, nil
}

var askedWords = map[followup.Kind]string{
	followup.ReturnVisit: "go on with the open tooth, or send the patient back to us", followup.Core: "place the core, and send us a note once it is done",
	followup.Restoration: "place the definitive restoration, and send us a note once it is done", followup.Review: "review the tooth, and send us what you found",
	followup.Reassess: "look at the tooth again, and tell us what you found", followup.Decision: "decide with the patient how to go on",
}

func dayText(d *date.Date) string {
	return fmt.Sprintf("%04d-%02d-%02d", d.GetYear(), d.GetMonth(), d.GetDay())
}

// reportText is the letter as plain text.
func reportText(r *vw.Report) string {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line("%s", r.GetPracticeTitle())
	if r.GetTelephone() != "" {
		line("Telephone %s", r.GetTelephone())
	}
	line("%s", dayText(r.GetDate()))
	line("")
	line("%s", r.GetTitle())
	line("Patient reference: %s", r.GetPatientReference())
	line("Tooth: %s", r.GetTooth())
	if r.GetDiagnosis() != "" {
		line("Diagnosis: %s", r.GetDiagnosis())
	}
	if r.GetQuestion() != "" {
		line("Your question: %s", r.GetQuestion())
	}
	for _, s := range r.GetSections() {
		line("")
		line("%s", s.GetTitle())
		for _, x := range s.GetItems() {
			switch {
			case x.GetDate() != nil:
				line("- %s: %s", dayText(x.GetDate()), x.GetText())
			case x.GetByDate() != nil:
				line("- by %s: %s (from %s on, best on %s)", dayText(x.GetByDate()), x.GetText(), dayText(x.GetFromDate()), dayText(x.GetBestDate()))
			default:
				line("- %s", x.GetText())
			}
			if x.GetBecause() != "" {
				line("  because %s", x.GetBecause())
			}
		}
	}
	line("")
	line("%s", r.GetClosing())
	return b.String()
}

// diagnosisWords is a diagnosis as a dentist writes it.
func (f *FollowUps) diagnosisWords(id string) string {
	if d, err := f.shipped.Diagnosis(id); err == nil {
		return d.Name
	}
	return strings.ReplaceAll(id, "-", " ")
}
