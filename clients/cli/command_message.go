package cli

import (
	"fmt"
	"os"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// MessageCommand shows and steers messages to patients.
type MessageCommand struct {
	List     MessageList     `cmd:"" default:"1" help:"List messages: --state failed for what people must see to, --state call for the call list."`
	Retry    MessageRetry    `cmd:"" help:"Try a message that failed once more."`
	Wishes   MessageWishes   `cmd:"" help:"Show or set how a patient wants to be reached."`
	Policy   MessagePolicy   `cmd:"" help:"Show or change when the practice writes. Managers change."`
	Template MessageTemplate `cmd:"" help:"Preview a wording with invented values."`
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

// MessagePolicy shows or changes the policy.
type MessagePolicy struct {
	On        *bool    `negatable:"" help:"Whether the practice writes at all."`
	Lead      []string `help:"A reminder so many days before at a time, DAYS@HH:MM. Repeat; replaces all." sep:"none" placeholder:"LEAD"`
	Quiet     string   `help:"Quiet hours, HH:MM-HH:MM; the later may be the next morning." placeholder:"SPAN"`
	Telephone *string  `help:"The number that messages name." placeholder:"TEXT"`
}

// Run shows the policy, or changes it when something was given.
func (c *MessagePolicy) Run(s *Session) error {
	name := s.parent() + "/messagePolicy"
	change := &vw.MessagePolicy{Name: name}
	mask := &fieldmaskpb.FieldMask{}
	if c.On != nil {
		change.Enabled = *c.On
		mask.Paths = append(mask.Paths, "enabled")
	}
	for _, text := range c.Lead {
		lead := &vw.ReminderLead{}
		var at string
		if n, err := fmt.Sscanf(text, "%d@%s", &lead.Days, &at); n != 2 || err != nil {
			return usage("--lead %q: want DAYS@HH:MM, for example 2@10:00", text)
		}
		var err error
		if lead.Time, err = parseClock("--lead", at); err != nil {
			return err
		}
		change.Leads = append(change.Leads, lead)
	}
	if len(c.Lead) > 0 {
		mask.Paths = append(mask.Paths, "leads")
	}
	if c.Quiet != "" {
		if len(c.Quiet) != 11 || c.Quiet[5] != '-' {
			return usage("--quiet %q: want HH:MM-HH:MM, for example 20:00-08:00", c.Quiet)
		}
		var err error
		if change.QuietFrom, err = parseClock("--quiet", c.Quiet[:5]); err != nil {
			return err
		}
		if change.QuietUntil, err = parseClock("--quiet", c.Quiet[6:]); err != nil {
			return err
		}
		mask.Paths = append(mask.Paths, "quiet_from", "quiet_until")
	}
	if c.Telephone != nil {
		change.Telephone = *c.Telephone
		mask.Paths = append(mask.Paths, "telephone")
	}
	policy, err := s.Client.FollowUp.GetMessagePolicy(s.Context, &vw.GetMessagePolicyRequest{Name: name})
	if err != nil {
		return err
	}
	if len(mask.GetPaths()) > 0 {
		change.Etag = policy.GetEtag()
		if policy, err = s.Client.FollowUp.UpdateMessagePolicy(s.Context, &vw.UpdateMessagePolicyRequest{Policy: change, UpdateMask: mask}); err != nil {
			return err
		}
	}
	return s.Show(policy, func(p *Page) { showPolicyOfMessages(p, policy) })
}

func showPolicyOfMessages(p *Page, m *vw.MessagePolicy) {
	p.Title("When the practice writes")
	state := "not at all"
	if m.GetEnabled() {
		state = "yes"
	}
	p.Field("writes", "%s", state)
	for _, lead := range m.GetLeads() {
		p.Field("reminds", "%s before, at %s", plural(int(lead.GetDays()), "day", "days"), clock(int(lead.GetTime().GetHours()*60+lead.GetTime().GetMinutes())))
	}
	p.Field("quiet", "%s to %s", clock(int(m.GetQuietFrom().GetHours()*60+m.GetQuietFrom().GetMinutes())), clock(int(m.GetQuietUntil().GetHours()*60+m.GetQuietUntil().GetMinutes())))
	p.Field("invites", "%s ahead, again every %s", plural(int(m.GetInviteDays()), "day", "days"), plural(int(m.GetRepeatDays()), "day", "days"))
	p.Field("telephone", "%s", orElse(m.GetTelephone(), "not set"))
	p.Field("own wordings", "%d", len(m.GetTemplates()))
}

// MessageTemplate previews a wording.
type MessageTemplate struct {
	Kind     string `arg:"" help:"Kind of message, for example reminder."`
	Subject  string `required:"" help:"The subject." placeholder:"TEXT"`
	File     string `required:"" help:"A file with the text." placeholder:"FILE"`
	Language string `help:"Its language." default:"en" placeholder:"TAG"`
}

// Run previews the wording.
func (c *MessageTemplate) Run(s *Session) error {
	body, err := os.ReadFile(c.File)
	if err != nil {
		return usage("--file: %v", err)
	}
	if len(body) > MaxCaseFile {
		return usage("the text is larger than %d KiB", MaxCaseFile>>10)
	}
	reply, err := s.Client.FollowUp.CheckTemplate(s.Context, &vw.CheckTemplateRequest{Parent: s.parent(), Template: &vw.MessageTemplate{
		Kind: c.Kind, Language: c.Language, Subject: c.Subject, Body: string(body)}})
	if err != nil {
		return err
	}
	if s.JSON {
		return writeJSON(s.Out, reply)
	}
	_, err = fmt.Fprintf(s.Out, "%s\n\n%s\n", reply.GetSubject(), reply.GetBody())
	return err
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
