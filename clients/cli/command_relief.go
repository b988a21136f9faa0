package cli

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"github.com/visitwright/visitwright/clients/occasion"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// ShortNoticeCommand keeps the short-notice list.
type ShortNoticeCommand struct {
	Add    ShortNoticeAdd    `cmd:"" help:"Put a patient on the list for a place that is freed."`
	List   ShortNoticeList   `cmd:"" default:"1" help:"List who waits."`
	Remove ShortNoticeRemove `cmd:"" help:"Take a patient off the list."`
	Match  ShortNoticeMatch  `cmd:"" help:"Say whom a freed place suits best."`
}

// ShortNoticeAdd adds an entry.
type ShortNoticeAdd struct {
	Case      string `arg:"" help:"Id of the case."`
	Visit     int32  `help:"Which visit of the accepted option." default:"1" placeholder:"N"`
	Notice    int32  `help:"Least notice that the patient needs, in minutes." default:"120" placeholder:"MIN"`
	InsteadOf string `help:"The appointment that would be given up for it: id." placeholder:"ID"`
	WishFlags
}

// Run adds the entry.
func (c *ShortNoticeAdd) Run(s *Session) error {
	wishes, err := c.wishes(s)
	if err != nil {
		return err
	}
	found, err := s.planner().GetCase(s.Context, &vw.GetCaseRequest{Name: s.name("cases", c.Case)})
	if err != nil {
		return err
	}
	plan, err := s.plan(c.Case, 0)
	if err != nil {
		return err
	}
	entry := &vw.ShortNoticeEntry{Patient: found.GetPatient(), Parts: []*vw.VisitPart{{Plan: plan, Visit: c.Visit}}, Wishes: wishes, NoticeMinutes: c.Notice}
	if c.InsteadOf != "" {
		entry.InsteadOf = s.name("appointments", c.InsteadOf)
	}
	made, err := s.Client.Diary.CreateShortNoticeEntry(s.Context, &vw.CreateShortNoticeEntryRequest{Parent: s.parent(), Entry: entry})
	if err != nil {
		return err
	}
	return s.Show(made, func(p *Page) { showEntries(p, []*vw.ShortNoticeEntry{made}, "") })
}

// ShortNoticeList lists the entries.
type ShortNoticeList struct{ PageFlags }

// Run lists the entries.
func (c *ShortNoticeList) Run(s *Session) error {
	reply, err := s.Client.Diary.ListShortNoticeEntries(s.Context, &vw.ListShortNoticeEntriesRequest{Parent: s.parent(), PageSize: c.Most, PageToken: c.After})
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) { showEntries(p, reply.GetEntries(), reply.GetNextPageToken()) })
}

func showEntries(p *Page, list []*vw.ShortNoticeEntry, next string) {
	var rows [][]string
	for _, e := range list {
		rows = append(rows, []string{shortID(e.GetName()), shortID(e.GetPatient()), fmt.Sprintf("%d min", e.GetNoticeMinutes()), e.GetCreateTime().AsTime().Format("2006-01-02 15:04")})
	}
	p.list([]string{"id", "patient", "notice", "since (UTC)"}, rows, "patients on the short-notice list", next)
}

// ShortNoticeRemove removes an entry.
type ShortNoticeRemove struct {
	Entry string `arg:"" help:"Id of the entry."`
}

// Run removes the entry.
func (c *ShortNoticeRemove) Run(s *Session) error {
	if _, err := s.Client.Diary.DeleteShortNoticeEntry(s.Context, &vw.DeleteShortNoticeEntryRequest{Name: s.name("shortNoticeEntries", c.Entry)}); err != nil {
		return err
	}
	_, err := fmt.Fprintln(s.Out, "Taken off the list.")
	return err
}

// ShortNoticeMatch matches a freed place.
type ShortNoticeMatch struct {
	Appointment string `arg:"" help:"Id of the appointment that was cancelled."`
	Most        int32  `help:"Most patients to show." default:"5" placeholder:"N"`
}

// Run matches the freed place.
func (c *ShortNoticeMatch) Run(s *Session) error {
	a, err := s.appointment(c.Appointment)
	if err != nil {
		return err
	}
	reply, err := s.Client.Diary.MatchShortNotice(s.Context, &vw.MatchShortNoticeRequest{Parent: s.parent(), Place: a.GetPlace(), MostMatches: c.Most})
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) {
		if len(reply.GetMatches()) == 0 {
			p.Text("The place suits nobody on the list.")
			return
		}
		p.Title("Whom the place suits: %s", when(a.GetPlace()))
		for i, m := range reply.GetMatches() {
			p.Item("%d. patient %s: %s", i+1, shortID(m.GetEntry().GetPatient()), when(m.GetPlace().GetPlace()))
			for _, reason := range m.GetReasons() {
				p.Under("%s", reason)
			}
		}
	})
}

// EmergencyCommand finds the next place for a patient in need.
type EmergencyCommand struct {
	Yes     []string `help:"A red-flag question that is answered with yes: id. Repeat." sep:"none" placeholder:"ID"`
	NoFlags bool     `help:"Every question not named with --yes was asked and answered with no."`
	Read    bool     `help:"The urgent-care instruction was read out: only then are there places although a flag is raised."`
	Minutes int32    `help:"Length; without it the usual one of emergency relief." placeholder:"MIN"`
	For     string   `help:"The patient: id or reference." placeholder:"ID"`
	Trouble string   `help:"What is wrong, as the caller says: pain, swelling, trauma (a knocked or broken tooth), filling (a lost or broken filling or crown) or other. Kept with the place that is booked." enum:",pain,swelling,trauma,filling,other" default:"" placeholder:"KIND"`
	Words   string   `help:"What the caller said in their own words, at most 200 characters; kept encrypted with the place that is booked, in no message and no calendar." placeholder:"TEXT"`
	Book    int      `help:"Book this one of the places found, by its number, for the patient." placeholder:"N"`
	WishFlags
}

// Run asks the red-flag questions first: without answers it prints them, and
// looks for no place.
func (c *EmergencyCommand) Run(s *Session) error {
	answers, questions, err := s.redFlags(c.Yes, c.NoFlags)
	if err != nil {
		return err
	}
	if questions != nil {
		return s.Show(questions, func(p *Page) { showQuestions(p, questions, "visitwright emergency") })
	}
	if utf8.RuneCountInString(c.Words) > occasion.MostWords {
		return usage("--words: want at most %d characters", occasion.MostWords)
	}
	if c.Book > 0 && c.For == "" {
		return usage("--book needs --for: whose place it is")
	}
	request := &vw.FindEmergencyPlaceRequest{Parent: s.parent(), Answers: answers, InstructionAcknowledged: c.Read, Minutes: c.Minutes}
	if request.Wishes, err = c.wishes(s); err != nil {
		return err
	}
	if c.For != "" {
		patient, err := s.findPatient(c.For)
		if err != nil {
			return err
		}
		request.Patient = patient.GetName()
	}
	reply, err := s.Client.Diary.FindEmergencyPlace(s.Context, request)
	if err != nil {
		return err
	}
	if c.Book > len(reply.GetPlaces()) {
		return usage("--book %d: %d places were found", c.Book, len(reply.GetPlaces()))
	}
	if c.Book > 0 {
		place := reply.GetPlaces()[c.Book-1].GetPlace()
		return s.arrange(request.GetPatient(), "", "emergency-relief", place, 0, occasion.Of(c.Trouble, c.Words, answers))
	}
	t, err := s.titles()
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) {
		if said := callWords(c.Trouble, c.Words); said != "" {
			p.Field("what is wrong", "%s", said)
			p.Gap()
		}
		showEmergency(p, reply, t)
	})
}

// callWords is what is wrong, by its kind and in the caller's words.
func callWords(trouble, said string) string {
	switch trouble = occasion.Trouble(trouble); trouble {
	case "trauma":
		trouble = "knocked or broken tooth"
	case "filling":
		trouble = "lost or broken filling or crown"
	}
	return strings.Join(nonEmpty(trouble, said), ": ")
}

// showOccasion writes what an urgent caller said.
func showOccasion(p *Page, o *vw.CallOccasion) {
	if o == nil {
		return
	}
	p.Field("urgent call", "%s", orElse(callWords(o.GetTrouble(), o.GetWords()), "not said what is wrong"))
	if len(o.GetRaisedFlags()) > 0 {
		p.Field("red flags: yes", "%s", words(strings.Join(o.GetRaisedFlags(), ", "), ""))
	}
	if len(o.GetDeniedFlags()) > 0 {
		p.Field("red flags: no", "%s", words(strings.Join(o.GetDeniedFlags(), ", "), ""))
	}
}

// redFlags turns flags into answers. Without any answer it returns the
// questions in their place: they come first.
func (s *Session) redFlags(said []string, noOthers bool) ([]*vw.RedFlagAnswer, *vw.ListRedFlagQuestionsResponse, error) {
	questions, err := s.Client.Diary.ListRedFlagQuestions(s.Context, &vw.ListRedFlagQuestionsRequest{Parent: s.parent(), PageSize: 1000})
	if err != nil {
		return nil, nil, err
	}
	if !noOthers && len(said) == 0 {
		return nil, questions, nil
	}
	var answers []*vw.RedFlagAnswer
	yes := map[string]bool{}
	for _, id := range said {
		if !slices.ContainsFunc(questions.GetQuestions(), func(q *vw.RedFlagQuestion) bool { return q.GetId() == id }) {
			return nil, nil, usage("--yes %q: no such question; without answers the command lists them", id)
		}
		yes[id] = true
		answers = append(answers, &vw.RedFlagAnswer{Question: id, Yes: true})
	}
	for _, q := range questions.GetQuestions() {
		if noOthers && !yes[q.GetId()] {
			answers = append(answers, &vw.RedFlagAnswer{Question: q.GetId()})
		}
	}
	return answers, nil, nil
}

func showQuestions(p *Page, questions *vw.ListRedFlagQuestionsResponse, command string) {
	p.Title("Ask these first")
	for _, q := range questions.GetQuestions() {
		p.Box("%s  (%s)", q.GetText(), q.GetId())
	}
	p.Gap()
	p.Text("Then: %s --yes ID for each yes, and --no-flags when all others were answered with no.", command)
}

func showEmergency(p *Page, reply *vw.FindEmergencyPlaceResponse, t titles) {
	if len(reply.GetRaisedFlags()) > 0 {
		p.Title("Urgent care first")
		p.Text("%s", reply.GetUrgentInstruction())
		p.Field("because of", "%s", words(strings.Join(reply.GetRaisedFlags(), ", "), ""))
		p.Gap()
	}
	if len(reply.GetPlaces()) == 0 {
		p.Text("%s", sentence(orElse(reply.GetText(), "there is no place")))
		return
	}
	p.Title("Next places")
	var rows [][]string
	for i, place := range reply.GetPlaces() {
		rows = append(rows, []string{fmt.Sprint(i + 1), when(place.GetPlace()), minutes(float64(place.GetPlace().GetMinutes())), t.with(place.GetPlace())})
	}
	p.Table([]string{">no", "when", ">length", "with"}, rows)
}

func orElse(text, otherwise string) string {
	if text == "" {
		return otherwise
	}
	return text
}
