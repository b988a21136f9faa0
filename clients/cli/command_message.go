package cli

import (
	"fmt"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// MessageCommand shows and steers messages to patients.
type MessageCommand struct {
	List     MessageList     `cmd:"" default:"1" help:"List messages: --state failed for what people must see to, --state call for the call list."`
	Retry    MessageRetry    `cmd:"" help:"Try a message that failed once more."`
	Wishes   MessageWishes   `cmd:"" help:"Show or set how a patient wants to be reached."`
	Policy   MessagePolicy   `cmd:"" help:"Show or change when the practice writes. Managers change."`
	Template MessageTemplate `cmd:"" help:"Preview a wording with invented values, and keep or drop it. Managers."`
	Claim    MessageClaim    `cmd:"" help:"Claim messages that are due, to send them by other means. Managers, integrations."`
	Letter   MessageLetter   `cmd:"" help:"Collect the letter of a claimed message: from here on it counts as possibly sent."`
	Sent     MessageSent     `cmd:"" help:"Say that a collected letter was taken by the other side."`
	Fail     MessageFail     `cmd:"" help:"Give a claimed message back: it did not leave, or nobody knows."`
}

// MessageList lists messages.
type MessageList struct {
	State string `help:"Only in this state." placeholder:"ID"`
	For   string `help:"Only to this patient: id or reference." placeholder:"ID"`
	PageFlags
}

// Run lists the messages.
func (c *MessageList) Run(s *Session) error {
	request := &vw.ListMessagesRequest{Parent: s.parent(), State: c.State, PageSize: c.Most, PageToken: c.After}
	if c.For != "" {
		patient, err := s.findPatient(c.For)
		if err != nil {
			return err
		}
		request.Patient = patient.GetName()
	}
	reply, err := s.Client.FollowUp.ListMessages(s.Context, request)
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) { showMessages(p, reply.GetMessages(), reply.GetNextPageToken()) })
}

func showMessages(p *Page, list []*vw.Message, next string) {
	if len(list) == 0 {
		p.Text("No messages.")
		return
	}
	for _, m := range list {
		p.Item("%s: %s, %s, %s", shortID(m.GetName()), words(m.GetKind(), ""), words(m.GetState(), ""), plural(int(m.GetAttempts()), "attempt", "attempts"))
		line := "patient " + shortID(m.GetPatient())
		if m.GetChannel() != "" {
			line += ", by " + m.GetChannel()
		}
		if m.GetNotBeforeTime() != nil {
			line += ", not before " + m.GetNotBeforeTime().AsTime().Format("2006-01-02 15:04") + " UTC"
		}
		p.Under("%s", line)
		if m.GetProblem() != "" {
			p.Under("problem: %s", m.GetProblem())
		}
	}
	if next != "" {
		p.Text("There are more: --after %s", next)
	}
}

// MessageRetry retries a message.
type MessageRetry struct {
	Message string `arg:"" help:"Id of the message."`
}

// Run retries the message.
func (c *MessageRetry) Run(s *Session) error {
	m, err := s.Client.FollowUp.RetryMessage(s.Context, &vw.RetryMessageRequest{Name: s.name("messages", c.Message)})
	if err != nil {
		return err
	}
	return s.Show(m, func(p *Page) { showMessages(p, []*vw.Message{m}, "") })
}

// MessageWishes shows or sets a patient's wishes.
type MessageWishes struct {
	Patient   string `arg:"" help:"Id, or the practice's reference."`
	Channel   string `help:"Set how: email, text or none." enum:",email,text,none" default:"" placeholder:"CHANNEL"`
	OptOut    bool   `help:"Set that the patient wants no messages."`
	Language  string `help:"Set the language, for example de." placeholder:"TAG"`
	Consented string `help:"Set the day of the patient's consent." placeholder:"YYYY-MM-DD"`
}

// Run shows the wishes, or sets them when something was given.
func (c *MessageWishes) Run(s *Session) error {
	patient, err := s.findPatient(c.Patient)
	if err != nil {
		return err
	}
	wishes, err := s.Client.FollowUp.GetContactWishes(s.Context, &vw.GetContactWishesRequest{Patient: patient.GetName()})
	if err != nil {
		return err
	}
	if c.Channel != "" || c.OptOut || c.Language != "" || c.Consented != "" {
		wishes.Channel, wishes.Language = orElse(c.Channel, wishes.GetChannel()), orElse(c.Language, wishes.GetLanguage())
		wishes.OptedOut = c.OptOut
		if c.Consented != "" {
			if wishes.ConsentDate, err = parseDate("--consented", c.Consented); err != nil {
				return err
			}
		}
		if wishes, err = s.Client.FollowUp.SetContactWishes(s.Context, &vw.SetContactWishesRequest{Wishes: wishes}); err != nil {
			return err
		}
	}
	return s.Show(wishes, func(p *Page) {
		p.Field("by", "%s", wishes.GetChannel())
		if wishes.GetOptedOut() {
			p.Field("messages", "the patient wants none")
		}
		p.Field("language", "%s", orElse(wishes.GetLanguage(), "the practice's"))
		p.Field("consented", "%s", orElse(sayDate(wishes.GetConsentDate()), "not on record"))
	})
}

// OutcomesCommand says how the practice's recalls went.
type OutcomesCommand struct{}

// Run shows the figures.
func (c *OutcomesCommand) Run(s *Session) error {
	f, err := s.Client.FollowUp.GetPracticeFigures(s.Context, &vw.GetPracticeFiguresRequest{Parent: s.parent()})
	if err != nil {
		return err
	}
	return s.Show(f, func(p *Page) {
		p.Title("How recalls and teeth went")
		for _, x := range []struct {
			name  string
			share *vw.ShareFigure
		}{{"reviews held", f.GetRecallAttendance()}, {"healed, strict", f.GetHealedStrict()}, {"healed, loose", f.GetHealedLoose()}} {
			p.Field(x.name, "%s", orElse(x.share.GetText(), "nothing yet"))
		}
	})
}

// JobsCommand lists the jobs that run by themselves.
type JobsCommand struct{ PageFlags }

// Run lists the jobs.
func (c *JobsCommand) Run(s *Session) error {
	reply, err := s.Client.FollowUp.ListJobs(s.Context, &vw.ListJobsRequest{Parent: s.parent(), PageSize: c.Most, PageToken: c.After})
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) {
		var rows [][]string
		for _, j := range reply.GetJobs() {
			last := "never"
			if j.GetLastSuccessTime() != nil {
				last = j.GetLastSuccessTime().AsTime().Format("2006-01-02 15:04")
			}
			rows = append(rows, []string{words(j.GetId(), ""), last, fmt.Sprintf("%.1f s", j.GetLastSeconds()), fmt.Sprint(j.GetLastCount()), fmt.Sprint(j.GetFailures()), fmt.Sprint(j.GetFailuresInRow())})
		}
		p.list([]string{"job", "last well (UTC)", ">took", ">did", ">failures", ">in a row"}, rows, "jobs", reply.GetNextPageToken())
	})
}
