package cli

import (
	"os"
	"strings"

	"google.golang.org/genproto/googleapis/type/date"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// DueCommand is the follow-up list.
type DueCommand struct {
	List DueList `cmd:"" default:"withargs" help:"List what people must act on."`
	Put  DuePut  `cmd:"" name:"put-off" help:"Ask again on a later day, with the reason; clinical bounds do not move."`
	Done DueDone `cmd:"" help:"Say that something was done or decided."`
	// Offers is one step from the list to places.
	Offers DueOffers `cmd:"" help:"Show free places for something that is due, for \"book\" to take."`
}

// DueList lists follow-ups.
type DueList struct {
	View  string `arg:"" optional:"" help:"needs-decision, today, overdue or next-14-days; without it all that is not ahead." enum:",needs-decision,today,overdue,next-14-days" default:""`
	Kind  string `help:"Only of this kind." placeholder:"ID"`
	Actor string `help:"Only what this role acts on: reception, clinician, referring-dentist." placeholder:"ROLE"`
	Case  string `help:"Only of this case, ahead ones included: id." placeholder:"ID"`
	PageFlags
}

// Run lists the follow-ups.
func (c *DueList) Run(s *Session) error {
	request := &vw.ListFollowUpsRequest{Parent: s.parent(), View: c.View, Kind: c.Kind, Actor: c.Actor, PageSize: c.Most, PageToken: c.After}
	if c.Case != "" {
		request.Case = s.name("cases", c.Case)
	}
	reply, err := s.Client.FollowUp.ListFollowUps(s.Context, request)
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) {
		showFollowUps(p, reply.GetFollowUps())
		if reply.GetNextPageToken() != "" {
			p.Text("There are more: --after %s", reply.GetNextPageToken())
		}
	})
}

// showFollowUps writes follow-ups as entries: what, until when, who, why.
func showFollowUps(p *Page, list []*vw.FollowUp) {
	if len(list) == 0 {
		p.Text("Nothing is due.")
		return
	}
	for _, f := range list {
		until := sayDate(f.GetLatestDate())
		if until == "" {
			until = "no latest day"
		} else {
			until = "not after " + until
		}
		p.Item("%s, %s: %s (%s acts)", words(f.GetKind(), ""), until, words(f.GetState(), ""), words(f.GetActor(), ""))
		p.Under("%s case %s; key %s", f.GetTooth(), shortID(f.GetCase()), f.GetKey())
		var days []string
		if d := sayDate(f.GetEarliestDate()); d != "" {
			days = append(days, "from "+d)
		}
		if d := sayDate(f.GetTargetDate()); d != "" {
			days = append(days, "best "+d)
		}
		if d := sayDate(f.GetActDate()); d != "" {
			days = append(days, "act on "+d)
		}
		if len(days) > 0 {
			p.Under("%s", strings.Join(days, ", "))
		}
		if f.GetReason() != "" {
			p.Under("because %s", f.GetReason())
		}
		if f.GetReplan() != "" {
			p.Under("the plan changes: %s", f.GetReplan())
		}
		if f.GetProposedPlan() != "" {
			p.Under("proposed and not accepted: plan %s", shortID(f.GetProposedPlan()))
		}
		if f.GetPlanProblem() != "" {
			p.Under("no plan could be proposed: %s", f.GetPlanProblem())
		}
	}
}

// DueOffers looks for places for a follow-up.
type DueOffers struct {
	Case string `arg:"" help:"Id of the case."`
	Key  string `arg:"" optional:"" help:"Key of the follow-up, as the list shows it; without it the first that is booked here."`
	Most int32  `help:"Most offers to show." default:"10" placeholder:"N"`
}

// Run shows the offers and keeps their tokens for `book`.
func (c *DueOffers) Run(s *Session) error {
	reply, err := s.Client.FollowUp.ListFollowUps(s.Context, &vw.ListFollowUpsRequest{Parent: s.parent(), Case: s.name("cases", c.Case)})
	if err != nil {
		return err
	}
	for _, f := range reply.GetFollowUps() {
		if (c.Key == "" || f.GetKey() == c.Key) && f.GetFindOffers() != nil {
			request := f.GetFindOffers()
			request.MostOffers = c.Most
			return s.findOffers(request)
		}
	}
	under := ""
	if c.Key != "" {
		under = " under this key"
	}
	return usage("nothing of case %s is booked here%s: see `visitwright due --case %s`", c.Case, under, c.Case)
}

// DuePut puts a follow-up off.
type DuePut struct {
	Case    string `arg:"" help:"Id of the case."`
	Key     string `arg:"" help:"Key of the follow-up, as the list shows it."`
	Until   string `required:"" help:"Ask again on this day." placeholder:"YYYY-MM-DD"`
	Because string `required:"" help:"Why." placeholder:"TEXT"`
}

// Run puts the follow-up off.
func (c *DuePut) Run(s *Session) error {
	day, err := parseDate("--until", c.Until)
	if err != nil {
		return err
	}
	reply, err := s.Client.FollowUp.PutOffFollowUp(s.Context, &vw.PutOffFollowUpRequest{Case: s.name("cases", c.Case), Key: c.Key, UntilDate: day, Reason: c.Because})
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) { showFollowUps(p, reply.GetFollowUps()) })
}

// DueDone finishes a follow-up.
type DueDone struct {
	Case    string `arg:"" help:"Id of the case."`
	Key     string `arg:"" help:"Key of the follow-up, as the list shows it."`
	Because string `required:"" help:"What was done or decided." placeholder:"TEXT"`
}

// Run finishes the follow-up.
func (c *DueDone) Run(s *Session) error {
	reply, err := s.Client.FollowUp.FinishFollowUp(s.Context, &vw.FinishFollowUpRequest{Case: s.name("cases", c.Case), Key: c.Key, Reason: c.Because})
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) { showFollowUps(p, reply.GetFollowUps()) })
}

// CareCommand records what happens to a case around its visits.
type CareCommand struct {
	Open     CareOpen     `cmd:"" help:"A visit left the tooth open: dressed or temporised."`
	Filled   CareFilled   `cmd:"" help:"The canals are filled: restoration and reviews fall due."`
	Restored CareRestored `cmd:"" help:"The definitive restoration, or its core, was placed."`
	Review   CareReview   `cmd:"" help:"Record a review; the outcome sets what comes next."`
	Call     CareCall     `cmd:"" help:"The patient calls between visits: red-flag questions, then what it changes."`
	Events   CareEvents   `cmd:"" help:"List what happened to a case after its visits."`
	Report   CareReport   `cmd:"" help:"Write the letter to the referring dentist."`
}

// onDay reads an optional day; nil means today.
func onDay(text string) (*date.Date, error) {
	if text == "" {
		return nil, nil
	}
	return parseDate("--on", text)
}

// CareOpen records an open tooth.
type CareOpen struct {
	Case      string  `arg:"" help:"Id of the case."`
	Stop      string  `arg:"" help:"The stopping point (catalogue stops)."`
	On        string  `help:"Day of the visit; without it today." placeholder:"YYYY-MM-DD"`
	Dressing  string  `help:"Dressing placed (catalogue medicaments); without it not known." placeholder:"ID"`
	Temporary string  `help:"Temporary placed (catalogue temporaries); without it not known." placeholder:"ID"`
	Seal      float64 `help:"Thickness of the temporary in mm." placeholder:"MM"`
}

// Run records it.
func (c *CareOpen) Run(s *Session) error {
	return s.recordCare(c.Case, c.On, func(r *vw.RecordCareRequest) error {
		r.Left = &vw.RecordCareRequest_Open{Open: &vw.LeftOpen{Stop: c.Stop, Medicament: c.Dressing, Temporary: c.Temporary, SealMm: c.Seal}}
		return nil
	})
}

func (s *Session) recordCare(caseID, on string, fill func(*vw.RecordCareRequest) error) error {
	day, err := onDay(on)
	if err != nil {
		return err
	}
	request := &vw.RecordCareRequest{Case: s.name("cases", caseID), Date: day}
	if err := fill(request); err != nil {
		return err
	}
	reply, err := s.Client.FollowUp.RecordCare(s.Context, request)
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) { showFollowUps(p, reply.GetFollowUps()) })
}

// CareFilled records a filled tooth.
type CareFilled struct {
	Case             string `arg:"" help:"Id of the case."`
	On               string `help:"Day of the filling; without it today." placeholder:"YYYY-MM-DD"`
	Core             bool   `help:"The core was placed in the same visit."`
	Coverage         bool   `help:"The cusps must be covered."`
	ReferrerRestores bool   `help:"The referring dentist restores."`
	ReferrerReviews  bool   `help:"The referring dentist reviews."`
	Calendar         string `help:"Review calendar (catalogue review-calendars); without it that of root filling." placeholder:"ID"`
	Index            int32  `help:"Periapical index before treatment, 1 to 5." placeholder:"N"`
	Injury           string `help:"Day of the injury, for calendars that count from it." placeholder:"YYYY-MM-DD"`
}

// Run records it.
func (c *CareFilled) Run(s *Session) error {
	return s.recordCare(c.Case, c.On, func(r *vw.RecordCareRequest) error {
		filled := &vw.LeftFilled{CorePlaced: c.Core, NeedsCoverage: c.Coverage, ReferrerRestores: c.ReferrerRestores, ReferrerReviews: c.ReferrerReviews,
			Calendar: c.Calendar, IndexBefore: c.Index}
		if c.Injury != "" {
			day, err := parseDate("--injury", c.Injury)
			if err != nil {
				return err
			}
			filled.InjuryDate = day
		}
		r.Left = &vw.RecordCareRequest_Filled{Filled: filled}
		return nil
	})
}

// CareRestored records a restoration.
type CareRestored struct {
	Case       string `arg:"" help:"Id of the case."`
	On         string `help:"Day on which it was placed; without it today." placeholder:"YYYY-MM-DD"`
	CoreOnly   bool   `help:"Only the core was placed."`
	ByReferrer bool   `help:"Reported by the referring dentist."`
}

// Run records it.
func (c *CareRestored) Run(s *Session) error {
	day, err := onDay(c.On)
	if err != nil {
		return err
	}
	reply, err := s.Client.FollowUp.RecordRestoration(s.Context, &vw.RecordRestorationRequest{Case: s.name("cases", c.Case), Date: day, CoreOnly: c.CoreOnly, ByReferrer: c.ByReferrer})
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) { showFollowUps(p, reply.GetFollowUps()) })
}

// CareReview records a review.
type CareReview struct {
	Case            string `arg:"" help:"Id of the case."`
	On              string `help:"Day of the review; without it today." placeholder:"YYYY-MM-DD"`
	Index           *int32 `help:"Periapical index now, 1 (normal) to 5; without it no radiograph was taken." placeholder:"N"`
	IndexBefore     *int32 `help:"Index before treatment; without it the one that was recorded." placeholder:"N"`
	Because         string `help:"Why the radiograph was taken." placeholder:"TEXT"`
	Symptoms        bool   `help:"Pain, or tenderness that the patient reports."`
	SinusTract      bool   `help:"A sinus tract."`
	Swelling        bool   `help:"A swelling."`
	Tender          bool   `help:"Tender to percussion."`
	DeepProbing     bool   `help:"Isolated deep probing."`
	RestorationLost bool   `help:"The restoration is missing, leaking or broken."`
	ByReferrer      bool   `help:"Reported by the referring dentist."`
}

// Run records the review and says what follows.
func (c *CareReview) Run(s *Session) error {
	day, err := onDay(c.On)
	if err != nil {
		return err
	}
	reply, err := s.Client.FollowUp.RecordReview(s.Context, &vw.RecordReviewRequest{
		Case: s.name("cases", c.Case), Date: day, IndexNow: c.Index, IndexBefore: c.IndexBefore, RadiographReason: c.Because, Symptoms: c.Symptoms,
		SinusTract: c.SinusTract, Swelling: c.Swelling, TenderToPercussion: c.Tender, DeepProbing: c.DeepProbing, RestorationLost: c.RestorationLost, ByReferrer: c.ByReferrer})
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) {
		o := reply.GetOutcome()
		p.Title("Review: %s", words(o.GetOutcome(), ""))
		p.Field("strict criteria", "%s", yesNo(o.GetStrict()))
		p.Field("loose criteria", "%s", yesNo(o.GetLoose()))
		for _, text := range o.GetReasons() {
			p.Item("%s", text)
		}
		for _, text := range o.GetAdvice() {
			p.Item("mind: %s", text)
		}
		p.Field("next", "%s: %s", words(o.GetNext(), ""), o.GetNextReason())
		p.Gap()
		showFollowUps(p, reply.GetFollowUps())
	})
}

func yesNo(met bool) string {
	if met {
		return "met"
	}
	return "not met"
}

// CareCall records a call.
type CareCall struct {
	Case      string   `arg:"" help:"Id of the case."`
	Complaint string   `arg:"" help:"temporary-lost, pain, swelling or crown-off." enum:"temporary-lost,pain,swelling,crown-off"`
	Yes       []string `help:"A red-flag question that is answered with yes: id. Repeat." sep:"none" placeholder:"ID"`
	NoFlags   bool     `help:"Every question not named with --yes was asked and answered with no."`
	Read      bool     `help:"The urgent-care instruction was read out."`
}

// Run records the call.
func (c *CareCall) Run(s *Session) error {
	answers, questions, err := s.redFlags(c.Yes, c.NoFlags)
	if err != nil {
		return err
	}
	if questions != nil {
		return s.Show(questions, func(p *Page) { showQuestions(p, questions, "visitwright care call "+c.Case+" "+c.Complaint) })
	}
	reply, err := s.Client.FollowUp.ReportCall(s.Context, &vw.ReportCallRequest{
		Case: s.name("cases", c.Case), Complaint: c.Complaint, Answers: answers, InstructionAcknowledged: c.Read})
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) {
		if len(reply.GetRaisedFlags()) > 0 {
			p.Title("Urgent care first")
			p.Text("%s", reply.GetUrgentInstruction())
			p.Field("because of", "%s", words(strings.Join(reply.GetRaisedFlags(), ", "), ""))
		}
		for _, text := range reply.GetAdvice() {
			p.Item("%s", text)
		}
		if len(reply.GetFollowUps()) > 0 {
			p.Gap()
			showFollowUps(p, reply.GetFollowUps())
		}
	})
}

// CareEvents lists care events.
type CareEvents struct {
	Case string `arg:"" help:"Id of the case."`
	PageFlags
}

// Run lists the events.
func (c *CareEvents) Run(s *Session) error {
	reply, err := s.Client.FollowUp.ListCareEvents(s.Context, &vw.ListCareEventsRequest{Parent: s.name("cases", c.Case), PageSize: c.Most, PageToken: c.After})
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) {
		var rows [][]string
		for _, e := range reply.GetEvents() {
			rows = append(rows, []string{sayDate(e.GetDate()), words(e.GetKind(), ""), e.GetText()})
		}
		p.list([]string{"day", "kind", "what"}, rows, "events", reply.GetNextPageToken())
	})
}

// CareReport writes a letter.
type CareReport struct {
	Case     string `arg:"" help:"Id of the case."`
	Occasion string `arg:"" help:"consultation, finish, stop or review." enum:"consultation,finish,stop,review"`
	Print    string `help:"Write it as a page for print (HTML, A4) to this file." placeholder:"FILE"`
}

// Run writes the letter.
func (c *CareReport) Run(s *Session) error {
	reply, err := s.Client.FollowUp.GetReport(s.Context, &vw.GetReportRequest{Case: s.name("cases", c.Case), Occasion: c.Occasion})
	if err != nil {
		return err
	}
	if c.Print != "" {
		page, err := printReport(reply)
		if err != nil {
			return err
		}
		return os.WriteFile(c.Print, page, 0o600)
	}
	return s.Show(reply, func(p *Page) {
		for line := range strings.SplitSeq(strings.TrimRight(reply.GetText(), "\n"), "\n") {
			if rest, found := strings.CutPrefix(line, "- "); found {
				p.marked("- ", rest)
				continue
			}
			if rest, found := strings.CutPrefix(line, "  "); found {
				p.Under("%s", rest)
				continue
			}
			p.Text("%s", line)
		}
	})
}
