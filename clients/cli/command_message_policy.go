package cli

import (
	"fmt"
	"os"
	"slices"

	"google.golang.org/genproto/googleapis/type/timeofday"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// MessagePolicy shows or changes the policy.
type MessagePolicy struct {
	On        *bool    `negatable:"" help:"Whether the practice writes at all."`
	Lead      []string `help:"A reminder so many days before at a time, DAYS@HH:MM. Repeat; replaces all." sep:"none" placeholder:"LEAD"`
	Quiet     string   `help:"Quiet hours, HH:MM-HH:MM; the later may be the next morning." placeholder:"SPAN"`
	At        string   `help:"When a message without a time of its own leaves." placeholder:"HH:MM"`
	Invite    int32    `help:"Days before a review on which the patient is first invited, 14 to 28." placeholder:"DAYS"`
	Again     int32    `help:"Days until the second and the third invitation, 3 to 60." placeholder:"DAYS"`
	Telephone *string  `help:"The number that messages name." placeholder:"TEXT"`
	Carrier   string   `help:"Who sends: house (this server), or integration (a system that claims messages)." enum:",house,integration" default:"" placeholder:"WHO"`
}

// change is what was given, with the names of its fields.
func (c *MessagePolicy) change() (*vw.MessagePolicy, []string, error) {
	out := &vw.MessagePolicy{}
	var fields []string
	if c.On != nil {
		out.Enabled = *c.On
		fields = append(fields, "enabled")
	}
	for _, text := range c.Lead {
		lead := &vw.ReminderLead{}
		var at string
		if n, err := fmt.Sscanf(text, "%d@%s", &lead.Days, &at); n != 2 || err != nil {
			return nil, nil, usage("--lead %q: want DAYS@HH:MM, for example 2@10:00", text)
		}
		var err error
		if lead.Time, err = parseClock("--lead", at); err != nil {
			return nil, nil, err
		}
		out.Leads = append(out.Leads, lead)
	}
	if len(c.Lead) > 0 {
		fields = append(fields, "leads")
	}
	if c.Quiet != "" && (len(c.Quiet) != 11 || c.Quiet[5] != '-') {
		return nil, nil, usage("--quiet %q: want HH:MM-HH:MM, for example 20:00-08:00", c.Quiet)
	}
	for _, x := range []struct {
		flag, field, text string
		into              **timeofday.TimeOfDay
	}{{"--quiet", "quiet_from", c.Quiet[:min(5, len(c.Quiet))], &out.QuietFrom}, {"--quiet", "quiet_until", c.Quiet[min(6, len(c.Quiet)):], &out.QuietUntil}, {"--at", "time", c.At, &out.Time}} {
		if x.text == "" {
			continue
		}
		t, err := parseClock(x.flag, x.text)
		if err != nil {
			return nil, nil, err
		}
		*x.into = t
		fields = append(fields, x.field)
	}
	if c.Invite != 0 {
		out.InviteDays = c.Invite
		fields = append(fields, "invite_days")
	}
	if c.Again != 0 {
		out.RepeatDays = c.Again
		fields = append(fields, "repeat_days")
	}
	if c.Telephone != nil {
		out.Telephone = *c.Telephone
		fields = append(fields, "telephone")
	}
	if c.Carrier != "" {
		out.Carrier = c.Carrier
		fields = append(fields, "carrier")
	}
	return out, fields, nil
}

// Run shows the policy, or changes it when something was given.
func (c *MessagePolicy) Run(s *Session) error {
	change, fields, err := c.change()
	if err != nil {
		return err
	}
	policy, err := s.messagePolicy()
	if err != nil {
		return err
	}
	if len(fields) > 0 {
		if policy, err = s.changePolicy(policy, change, fields...); err != nil {
			return err
		}
	}
	return s.Show(policy, func(p *Page) { showPolicyOfMessages(p, policy) })
}

func (s *Session) messagePolicy() (*vw.MessagePolicy, error) {
	return s.Client.FollowUp.GetMessagePolicy(s.Context, &vw.GetMessagePolicyRequest{Name: s.parent() + "/messagePolicy"})
}

func (s *Session) changePolicy(read, change *vw.MessagePolicy, fields ...string) (*vw.MessagePolicy, error) {
	change.Name, change.Etag = read.GetName(), read.GetEtag()
	return s.Client.FollowUp.UpdateMessagePolicy(s.Context, &vw.UpdateMessagePolicyRequest{Policy: change, UpdateMask: &fieldmaskpb.FieldMask{Paths: fields}})
}

func showPolicyOfMessages(p *Page, m *vw.MessagePolicy) {
	p.Title("When the practice writes")
	state := "not at all"
	if m.GetEnabled() {
		state = "yes"
	}
	p.Field("writes", "%s", state)
	for _, lead := range m.GetLeads() {
		p.Field("reminds", "%s before, at %s", plural(int(lead.GetDays()), "day", "days"), clockOf(lead.GetTime()))
	}
	p.Field("quiet", "%s to %s", clockOf(m.GetQuietFrom()), clockOf(m.GetQuietUntil()))
	p.Field("otherwise", "at %s", clockOf(m.GetTime()))
	p.Field("invites", "%s ahead, again every %s", plural(int(m.GetInviteDays()), "day", "days"), plural(int(m.GetRepeatDays()), "day", "days"))
	p.Field("telephone", "%s", orElse(m.GetTelephone(), "not set"))
	by := "this server"
	if m.GetCarrier() == "integration" {
		by = "an integration that claims messages"
	}
	p.Field("sent by", "%s", by)
	if len(m.GetTemplates()) == 0 {
		p.Field("own wordings", "none: the neutral ones that ship")
	}
	for _, t := range m.GetTemplates() {
		p.Field("own wording", "%s (%s)", words(t.GetKind(), ""), t.GetLanguage())
	}
}

func clockOf(t *timeofday.TimeOfDay) string { return clock(int(t.GetHours()*60 + t.GetMinutes())) }

// MessageTemplate previews a wording, and keeps or drops it.
type MessageTemplate struct {
	Kind     string `arg:"" help:"Kind of message: confirmation, moved, cancelled, upcoming, return-overdue, restoration-open, review-invitation."`
	Subject  string `help:"The subject; without it and --file the wording in force is shown." placeholder:"TEXT"`
	File     string `help:"A file with the text." placeholder:"FILE"`
	Language string `help:"Its language." default:"en" placeholder:"TAG"`
	Keep     bool   `help:"Use this wording from now on." xor:"keep"`
	Drop     bool   `help:"Go back to the neutral wording that ships." xor:"keep"`
}

// Run previews the wording, and keeps or drops it when that was asked.
func (c *MessageTemplate) Run(s *Session) error {
	if (c.Subject == "") != (c.File == "") || c.Keep && c.File == "" || c.Drop && c.File != "" {
		return usage("--subject and --file belong together: both to look at or --keep a wording, neither to see the one in force or --drop it")
	}
	policy, err := s.messagePolicy()
	if err != nil {
		return err
	}
	mine := func(t *vw.MessageTemplate) bool { return t.GetKind() == c.Kind && t.GetLanguage() == c.Language }
	shown := &vw.MessageTemplate{Kind: c.Kind, Language: c.Language, Subject: c.Subject}
	if c.File != "" {
		body, err := os.ReadFile(c.File)
		if err != nil {
			return usage("--file: %v", err)
		}
		if len(body) > MaxCaseFile {
			return usage("the text is larger than %d KiB", MaxCaseFile>>10)
		}
		shown.Body = string(body)
	} else if at := slices.IndexFunc(policy.GetTemplates(), mine); at >= 0 && !c.Drop {
		shown = policy.GetTemplates()[at]
	}
	reply, err := s.Client.FollowUp.CheckTemplate(s.Context, &vw.CheckTemplateRequest{Parent: s.parent(), Template: shown})
	if err != nil {
		return err
	}
	if c.Keep || c.Drop {
		next := slices.DeleteFunc(slices.Clone(policy.GetTemplates()), mine)
		if c.Keep {
			next = append(next, shown)
		}
		if _, err := s.changePolicy(policy, &vw.MessagePolicy{Templates: next}, "templates"); err != nil {
			return err
		}
	}
	if s.JSON {
		return writeJSON(s.Out, reply)
	}
	note := ""
	switch {
	case c.Keep:
		note = "\nIn use from now on.\n"
	case c.Drop:
		note = "\nThis neutral wording is in use again.\n"
	}
	_, err = fmt.Fprintf(s.Out, "%s\n\n%s\n%s", reply.GetSubject(), reply.GetBody(), note)
	return err
}
