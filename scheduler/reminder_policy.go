package scheduler

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/followup"
	"github.com/visitwright/visitwright/scheduler/reminder"
	"github.com/visitwright/visitwright/store"
)

// messagesKey is our part of a practice's settings document.
const messagesKey = "messages"

// messageSettings is what a practice chose about messages.
type messageSettings struct {
	Enabled   bool                `json:"enabled"`
	Phone     string              `json:"phone,omitempty"`
	Policy    reminder.Policy     `json:"policy"`
	Templates []reminder.Template `json:"templates,omitempty"`
	// Carrier is who sends; empty means this server.
	Carrier string `json:"carrier,omitempty"`
}

func (m messageSettings) carrier() string {
	if m.Carrier == "" {
		return store.CarrierHouse
	}
	return m.Carrier
}

func messageSettingsOf(p store.Practice) (messageSettings, error) {
	out := messageSettings{Policy: reminder.Defaults()}
	parts := map[string]json.RawMessage{}
	if len(p.Settings) > 0 {
		if err := json.Unmarshal(p.Settings, &parts); err != nil {
			return out, fmt.Errorf("settings document: %w", err)
		}
	}
	if text, ok := parts[messagesKey]; ok {
		out.Policy = reminder.Policy{}
		if err := json.Unmarshal(text, &out); err != nil {
			return out, fmt.Errorf("settings document: %w", err)
		}
	}
	return out, nil
}

// template is the practice's wording in the language asked for, else in
// English, else the neutral text that ships.
func (m messageSettings) template(kind reminder.Kind, language string) (reminder.Template, bool) {
	for _, want := range []string{language, "en", ""} {
		for _, t := range m.Templates {
			if t.Kind == kind && (t.Language == want || want == "" && language == "") {
				return t, true
			}
		}
	}
	return reminder.Wording(kind)
}

// messagesFor are the messages of one follow-up.
func (s surroundings) messagesFor(c store.Care, x followup.FollowUp) []store.NewMessage {
	if !s.messages.Enabled || x.State == followup.Booked || x.Actor != followup.Reception && x.Kind != followup.ReturnVisit {
		return nil
	}
	var kind reminder.Kind
	switch x.Kind {
	case followup.ReturnVisit:
		kind = reminder.ReturnOverdue
	case followup.Restoration:
		kind = reminder.RestorationOpen
	case followup.Review:
		kind = reminder.ReviewInvitation
	default:
		return nil
	}
	var out []store.NewMessage
	for _, m := range s.messages.Policy.ForFollowUp(reminder.Due{Key: c.Case.ID + "/" + x.Key, Kind: kind, Target: x.Target, Latest: x.Latest}, s.zone) {
		out = append(out, store.NewMessage{Occasion: m.Occasion, PatientID: c.Case.PatientID, CaseID: c.Case.ID, FollowKey: x.Key,
			Kind: string(kind), Routine: kind.Routine(), NotBefore: m.NotBefore, UselessAt: m.UselessAfter})
	}
	return out
}

func (f *FollowUps) takeCauses(ctx context.Context, practice string) (int, error) {
	seen := map[string]surroundings{}
	return f.store.TakeCauses(ctx, practice, sweepBatch, func(ctx context.Context, practice string, a store.Appointment, known []store.Message, now time.Time) ([]store.NewMessage, error) {
		return f.planAppointment(ctx, seen, practice, a, known, now)
	})
}

// planAppointment says which messages an appointment is owed.
func (f *FollowUps) planAppointment(ctx context.Context, seen map[string]surroundings, practice string, a store.Appointment, known []store.Message, now time.Time) ([]store.NewMessage, error) {
	at, ok := seen[practice]
	if !ok {
		var err error
		if at, err = f.surroundings(ctx, practice); err != nil {
			return nil, err
		}
		seen[practice] = at
	}
	if !at.messages.Enabled || a.Origin != store.OriginOwn || a.PatientID == "" || !a.Start.After(now) {
		return nil, nil
	}
	p := at.messages.Policy
	r := reminder.Appointment{ID: a.ID, Sequence: a.Sequence, Start: a.Start, BookedAt: now}
	known = slices.DeleteFunc(slices.Clone(known), func(m store.Message) bool {
		// What waits about another time has just been called back.
		return m.State == store.MessageCancelled || m.State == store.MessageWaiting && !m.Start.Equal(a.Start)
	})
	last := lastTold(known)
	var list []reminder.Message
	switch {
	case a.State == store.StateCancelled && last != nil:
		list = append(list, p.AtOnce(reminder.Cancelled, r, now, at.zone))
	case a.State == store.StateBooked && last != nil && last.Start.Equal(a.Start):
		// Nothing about the time has changed. Reminders that were called back
		// while it stood elsewhere are owed again.
		list = slices.DeleteFunc(p.ForAppointment(r, at.zone), func(m reminder.Message) bool {
			return slices.ContainsFunc(known, func(k store.Message) bool {
				return k.Kind == string(reminder.Upcoming) && k.Start.Equal(a.Start) && k.NotBefore.Equal(m.NotBefore)
			})
		})
	case a.State == store.StateBooked:
		kind := reminder.Confirmation
		if last != nil {
			kind = reminder.Moved
		}
		list = append([]reminder.Message{p.AtOnce(kind, r, now, at.zone)}, p.ForAppointment(r, at.zone)...)
	}
	var out []store.NewMessage
	for _, m := range list {
		out = append(out, store.NewMessage{Occasion: m.Occasion, PatientID: a.PatientID, Appointment: a.ID, Start: a.Start,
			Kind: string(m.Kind), Routine: m.Kind.Routine(), NotBefore: m.NotBefore, UselessAt: m.UselessAfter})
	}
	return out, nil
}

// lastTold is the newest message that gave the patient the appointment's time;
// nil when none did.
func lastTold(known []store.Message) *store.Message {
	var last *store.Message
	for i, m := range known {
		if (m.Kind == string(reminder.Confirmation) || m.Kind == string(reminder.Moved)) && (last == nil || reminder.SequenceOf(m.Occasion) > reminder.SequenceOf(last.Occasion)) {
			last = &known[i]
		}
	}
	return last
}

// GetMessagePolicy reads which messages the practice sends.
func (f *FollowUps) GetMessagePolicy(ctx context.Context, r *vw.GetMessagePolicyRequest) (*vw.MessagePolicy, error) {
	caller, err := f.diary.who(ctx)
	if err == nil {
		_, err = caller.One(names.MessagePolicyPattern, "name", r.GetName(), vw.ErrorReason_ERROR_REASON_PRACTICE_NOT_FOUND)
	}
	if err != nil {
		return nil, err
	}
	p, err := f.diary.store.GetPractice(ctx, caller.Call)
	if err != nil {
		return nil, f.diary.fault(err, caller, nil)
	}
	m, err := messageSettingsOf(p)
	return policyToProto(p, m), err
}

// UpdateMessagePolicy changes which messages the practice sends.
func (f *FollowUps) UpdateMessagePolicy(ctx context.Context, r *vw.UpdateMessagePolicyRequest) (*vw.MessagePolicy, error) {
	caller, err := f.diary.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	if _, err := caller.One(names.MessagePolicyPattern, "policy.name", r.GetPolicy().GetName(), vw.ErrorReason_ERROR_REASON_PRACTICE_NOT_FOUND); err != nil {
		return nil, err
	}
	if err := etagNeeded("policy.etag", r.GetPolicy().GetEtag()); err != nil {
		return nil, err
	}
	p, err := f.diary.store.GetPractice(ctx, caller.Reading())
	if err != nil {
		return nil, f.diary.fault(err, caller, nil)
	}
	kept, err := messageSettingsOf(p)
	if err != nil {
		return nil, err
	}
	next := policyToProto(p, kept)
	if err := overlay(next, r.GetPolicy(), r.GetUpdateMask(), "enabled", "leads", "quiet_from", "quiet_until", "invite_days", "repeat_days", "time", "telephone", "templates", "carrier"); err != nil {
		return nil, err
	}
	m, err := policyFromProto(next)
	if err != nil {
		return nil, err
	}
	if r.GetValidateOnly() {
		return policyToProto(p, m), nil
	}
	parts := map[string]json.RawMessage{}
	if len(p.Settings) > 0 {
		if err := json.Unmarshal(p.Settings, &parts); err != nil {
			return nil, fmt.Errorf("settings document: %w", err)
		}
	}
	if parts[messagesKey], err = json.Marshal(m); err != nil {
		return nil, err
	}
	document, err := json.Marshal(parts)
	if err != nil {
		return nil, err
	}
	made, err := f.diary.store.UpdatePractice(ctx, caller.Call, store.PracticeUpdate{Etag: r.GetPolicy().GetEtag(), Settings: document, Carrier: &m.Carrier})
	if err != nil {
		return nil, f.diary.fault(err, caller, fault.Paths{"etag": "policy.etag"})
	}
	m, err = messageSettingsOf(made)
	return policyToProto(made, m), err
}

func policyToProto(p store.Practice, m messageSettings) *vw.MessagePolicy {
	out := &vw.MessagePolicy{Name: names.MessagePolicy(p.ID), Enabled: m.Enabled, QuietFrom: timeToProto(m.Policy.QuietFrom), QuietUntil: timeToProto(m.Policy.QuietUntil),
		InviteDays: int32(m.Policy.InviteDays), RepeatDays: int32(m.Policy.RepeatDays), Time: timeToProto(m.Policy.At), Telephone: m.Phone, Carrier: m.carrier(), Etag: p.Etag}
	for _, l := range m.Policy.Leads {
		out.Leads = append(out.Leads, &vw.ReminderLead{Days: int32(l.Days), Time: timeToProto(l.At)})
	}
	for _, t := range m.Templates {
		out.Templates = append(out.Templates, &vw.MessageTemplate{Kind: string(t.Kind), Language: t.Language, Subject: t.Subject, Body: t.Body})
	}
	return out
}

func policyFromProto(p *vw.MessagePolicy) (messageSettings, error) {
	out := messageSettings{Enabled: p.GetEnabled(), Phone: p.GetTelephone(), Carrier: p.GetCarrier()}
	out.Policy.InviteDays, out.Policy.RepeatDays = int(p.GetInviteDays()), int(p.GetRepeatDays())
	var err error
	if out.Policy.QuietFrom, err = timeFromProto("policy.quiet_from", p.GetQuietFrom()); err != nil {
		return out, err
	}
	if out.Policy.QuietUntil, err = timeFromProto("policy.quiet_until", p.GetQuietUntil()); err != nil {
		return out, err
	}
	if out.Policy.At, err = timeFromProto("policy.time", p.GetTime()); err != nil {
		return out, err
	}
	for i, l := range p.GetLeads() {
		at, err := timeFromProto(fmt.Sprintf("policy.leads[%d].time", i), l.GetTime())
		if err != nil {
			return out, err
		}
		out.Policy.Leads = append(out.Policy.Leads, reminder.Lead{Days: int(l.GetDays()), At: at})
	}
	if err := out.Policy.Validate(); err != nil {
		return out, invalidField("policy", err.Error())
	}
	for i, t := range p.GetTemplates() {
		made, err := templateFromProto(fmt.Sprintf("policy.templates[%d]", i), t)
		if err != nil {
			return out, err
		}
		out.Templates = append(out.Templates, made)
	}
	return out, nil
}

func templateFromProto(field string, t *vw.MessageTemplate) (reminder.Template, error) {
	out := reminder.Template{Kind: reminder.Kind(t.GetKind()), Language: t.GetLanguage(), Subject: t.GetSubject(), Body: t.GetBody()}
	if !slices.Contains(reminder.Kinds(), out.Kind) {
		return out, invalidField(field+".kind", "a kind of message: confirmation, moved, cancelled, upcoming, return-overdue, restoration-open or review-invitation")
	}
	if !languageTag.MatchString(out.Language) {
		return out, invalidField(field+".language", `a language tag, for example "en"`)
	}
	if err := out.Validate(); err != nil {
		part := ""
		if te := (*reminder.TemplateError)(nil); errors.As(err, &te) {
			part = "." + te.Field
		}
		return out, invalidField(field+part, err.Error())
	}
	return out, nil
}

var languageTag = regexp.MustCompile(`^[a-z]{2,3}(-[A-Za-z0-9]{2,8})*$`)

// CheckTemplate shows a wording filled with invented values.
func (f *FollowUps) CheckTemplate(ctx context.Context, r *vw.CheckTemplateRequest) (*vw.CheckTemplateResponse, error) {
	if _, err := f.diary.reader(ctx, r.GetParent()); err != nil {
		return nil, err
	}
	t := proto.CloneOf(r.GetTemplate())
	if ship, ok := reminder.Wording(reminder.Kind(t.GetKind())); ok && t.GetSubject() == "" && t.GetBody() == "" {
		t.Subject, t.Body = ship.Subject, ship.Body
	}
	made, err := templateFromProto("template", t)
	if err != nil {
		return nil, err
	}
	subject, body, err := made.Render(map[string]string{"practice": "Example practice", "phone": "01632 960000", "day": "Monday 1 June", "time": "09:00", "reference": "P-1", "answer": "yes"})
	if err != nil {
		return nil, err
	}
	return &vw.CheckTemplateResponse{Subject: subject, Body: body, Fields: reminder.Fields()}, nil
}
