package desk

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/genproto/googleapis/type/timeofday"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var messageRoutes = []route{
	{"GET /messages", careTeam, (*ask).messagesPage},
	{"POST /messages/{message}/again", careTeam, (*ask).tryAgain},
	{"GET /practice/messages", everybody, (*ask).policyPage},
	{"POST /practice/messages", managers, (*ask).keepPolicy},
	{"GET /practice/messages/wording", managers, (*ask).wordingPage},
	{"POST /practice/messages/wording", managers, (*ask).keepWording},
}

// messageStates are the parts of the list, what people must see to first.
var messageStates = []string{"call", "failed", "uncertain", "waiting", "sent", "cancelled", ""}

// messageKinds are the kinds of message in the order of a treatment.
var messageKinds = []string{"confirmation", "moved", "cancelled", "upcoming", "return-overdue", "restoration-open", "review-invitation"}

type messagesPage struct {
	State string
	Views []dueView
	Rows  []messageRow
	More  bool
	Done  string
	Form  *form
}

type messageRow struct {
	*vw.Message
	Patient *vw.Patient
}

func (q *ask) messagesPage() (*page, error) {
	p := &messagesPage{State: q.form.Get("state"), Done: q.done("messages"), Form: newForm(nil)}
	if !slices.Contains(messageStates, p.State) {
		p.State = ""
	}
	if !q.form.Has("state") {
		p.State = "call"
	}
	for _, s := range messageStates {
		p.Views = append(p.Views, dueView{Path: "/messages?" + url.Values{"state": {s}}.Encode(), Text: q.t("messages.state-" + s), Current: s == p.State})
	}
	list, err := q.followUp().ListMessages(q, &vw.ListMessagesRequest{Parent: q.practice, PageSize: 100, State: p.State})
	if err != nil {
		return nil, err
	}
	p.More = list.GetNextPageToken() != ""
	var names []string
	for _, m := range list.GetMessages() {
		names = append(names, m.GetPatient())
	}
	who, err := q.whoIs(nil, names...)
	if err != nil {
		return nil, err
	}
	shown := list.GetMessages()
	if p.State == "call" {
		shown = toCall(shown)
	}
	for _, m := range shown {
		p.Rows = append(p.Rows, messageRow{m, who.patients[m.GetPatient()]})
	}
	return &page{name: "messages", title: q.t("messages.title"), section: "due", data: p}, nil
}

// toCall is one call for each thing that a patient is to be told, the latest
// first: what was to be written again became the same call again.
func toCall(list []*vw.Message) []*vw.Message {
	list = slices.Clone(list)
	slices.SortStableFunc(list, func(a, b *vw.Message) int {
		return b.GetNotBeforeTime().AsTime().Compare(a.GetNotBeforeTime().AsTime())
	})
	type what struct{ patient, kind, about, appointment string }
	seen := map[what]bool{}
	return slices.DeleteFunc(list, func(m *vw.Message) bool {
		w := what{m.GetPatient(), m.GetKind(), m.GetCase(), m.GetAppointment()}
		again := seen[w]
		seen[w] = true
		return again
	})
}

func (q *ask) tryAgain() (*page, error) {
	f := q.typed()
	if _, err := q.followUp().RetryMessage(q, &vw.RetryMessageRequest{Name: q.name("messages", q.path("message")), RequestId: f.RequestID}); err != nil {
		return nil, err
	}
	return goTo("/messages?state=waiting&done=again"), nil
}

type policyPage struct {
	Form     *form
	Done     string
	Carriers []option
	Kinds    []string
	// Own are the kinds with wordings of the practice's own.
	Own map[string][]*vw.MessageTemplate
}

func (q *ask) policy() (*vw.MessagePolicy, error) {
	return q.followUp().GetMessagePolicy(q, &vw.GetMessagePolicyRequest{Name: q.practice + "/messagePolicy"})
}

func (q *ask) policyFields(f *form, own []*vw.MessageTemplate) *policyPage {
	p := &policyPage{Form: f, Done: q.done("practice"), Kinds: messageKinds, Own: map[string][]*vw.MessageTemplate{}}
	for _, c := range []string{"house", "integration"} {
		p.Carriers = append(p.Carriers, option{Value: c, Text: q.t("messages.carrier-" + c)})
	}
	for _, t := range own {
		p.Own[t.GetKind()] = append(p.Own[t.GetKind()], t)
	}
	return p
}

func (q *ask) policyValues(m *vw.MessagePolicy) url.Values {
	v := url.Values{"quiet-from": {q.clockOr(m.GetQuietFrom())}, "quiet-until": {q.clockOr(m.GetQuietUntil())}, "time": {q.clockOr(m.GetTime())},
		"invite": {strconv.Itoa(int(m.GetInviteDays()))}, "repeat": {strconv.Itoa(int(m.GetRepeatDays()))}, "telephone": {m.GetTelephone()}, "carrier": {m.GetCarrier()}, "etag": {m.GetEtag()}}
	if m.GetCarrier() == "" {
		v.Set("carrier", "house")
	}
	if m.GetEnabled() {
		v.Set("enabled", "yes")
	}
	var leads []string
	for _, l := range m.GetLeads() {
		leads = append(leads, strconv.Itoa(int(l.GetDays()))+" "+q.words.Clock(l.GetTime()))
	}
	v.Set("leads", strings.Join(leads, ", "))
	return v
}

func (q *ask) clockOr(t *timeofday.TimeOfDay) string {
	if t == nil {
		return ""
	}
	return q.words.Clock(t)
}

func (q *ask) policyPage() (*page, error) {
	m, err := q.policy()
	if err != nil {
		return nil, err
	}
	return &page{name: "practice-messages", title: q.t("messages.policy"), section: "practice", data: q.policyFields(newForm(q.policyValues(m)), m.GetTemplates())}, nil
}

func (q *ask) keepPolicy() (*page, error) {
	f := q.typed()
	now, err := q.policy()
	if err != nil {
		return nil, err
	}
	p := q.policyFields(f, now.GetTemplates())
	m := &vw.MessagePolicy{Name: now.GetName(), Enabled: f.On("enabled"), Telephone: f.Get("telephone"), Carrier: f.chosen(q, "carrier", p.Carriers), Etag: f.Get("etag")}
	for field, to := range map[string]**timeofday.TimeOfDay{"quiet-from": &m.QuietFrom, "quiet-until": &m.QuietUntil, "time": &m.Time} {
		if *to, err = readTimeOfDay(f.Get(field)); err != nil {
			f.wrong(field, q.t("practice.clock-wrong"))
		}
	}
	for field, to := range map[string]*int32{"invite": &m.InviteDays, "repeat": &m.RepeatDays} {
		if n := f.whole(q, field, 1, 60); n != nil {
			*to = *n
		} else {
			f.wrong(field, q.t("form.whole-wrong", 1, 60))
		}
	}
	for lead := range strings.SplitSeq(f.Get("leads"), ",") {
		if lead = strings.TrimSpace(lead); lead == "" {
			continue
		}
		days, at, _ := strings.Cut(lead, " ")
		n, err := strconv.ParseInt(days, 10, 16)
		clock, err2 := readTimeOfDay(at)
		if err != nil || err2 != nil || n < 0 || n > 60 {
			f.wrong("leads", q.t("messages.leads-wrong"))
			break
		}
		m.Leads = append(m.Leads, &vw.ReminderLead{Days: int32(n), Time: clock})
	}
	if f.ok() {
		_, err = q.followUp().UpdateMessagePolicy(q, &vw.UpdateMessagePolicyRequest{Policy: m, RequestId: f.RequestID,
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"enabled", "leads", "quiet_from", "quiet_until", "invite_days", "repeat_days", "time", "telephone", "carrier"}}})
		switch {
		case err == nil:
			return goTo("/practice/messages?done=kept"), nil
		case conflict(err):
			f.meanwhile(q, q.policyValues(now))
		case !f.refused(err, map[string]string{"policy.leads": "leads", "policy.invite_days": "invite", "policy.repeat_days": "repeat", "policy.telephone": "telephone",
			"policy.quiet_from": "quiet-from", "policy.quiet_until": "quiet-until", "policy.time": "time", "policy.carrier": "carrier"}):
			return nil, err
		}
	}
	return &page{name: "practice-messages", title: q.t("messages.policy"), section: "practice", data: p, status: http.StatusUnprocessableEntity}, nil
}

// wordingPage is the practice's own wording of one kind of message, with how it
// reads when it is filled in.
type wordingPage struct {
	Form   *form
	Kind   string
	Shown  *vw.CheckTemplateResponse
	Exists bool
}

func (q *ask) wordingPage() (*page, error) {
	m, err := q.policy()
	if err != nil {
		return nil, err
	}
	kind, language := q.form.Get("kind"), q.form.Get("language")
	if !slices.Contains(messageKinds, kind) {
		return nil, errNoPage
	}
	f := newForm(url.Values{"kind": {kind}, "language": {language}, "etag": {m.GetEtag()}})
	if language == "" {
		f.Set("language", q.words.language)
	}
	p := &wordingPage{Form: f, Kind: kind}
	for _, t := range m.GetTemplates() {
		if t.GetKind() == kind && t.GetLanguage() == f.Get("language") {
			f.Set("subject", t.GetSubject())
			f.Set("body", t.GetBody())
			p.Exists = true
		}
	}
	return &page{name: "practice-wording", title: q.t("messages.wording"), section: "practice", data: p}, nil
}

func (q *ask) keepWording() (*page, error) {
	f := q.typed()
	p := &wordingPage{Form: f, Kind: f.Get("kind")}
	if !slices.Contains(messageKinds, p.Kind) {
		return nil, errNoPage
	}
	m, err := q.policy()
	if err != nil {
		return nil, err
	}
	t := &vw.MessageTemplate{Kind: p.Kind, Language: f.Get("language"), Subject: f.Get("subject"), Body: strings.ReplaceAll(q.form.Get("body"), "\r\n", "\n")}
	same := func(o *vw.MessageTemplate) bool {
		return o.GetKind() == t.GetKind() && o.GetLanguage() == t.GetLanguage()
	}
	others := slices.DeleteFunc(slices.Clone(m.GetTemplates()), same)
	p.Exists = len(others) < len(m.GetTemplates())
	fields := map[string]string{"template.body": "body", "template.subject": "subject", "template.language": "language", "policy.templates": "body"}
	status := http.StatusUnprocessableEntity
	switch {
	case f.On("preview"):
		p.Shown, err = q.followUp().CheckTemplate(q, &vw.CheckTemplateRequest{Parent: q.practice, Template: t})
		if err == nil {
			status = http.StatusOK
		}
	default:
		if !f.On("take-back") {
			others = append(others, t)
		}
		_, err = q.followUp().UpdateMessagePolicy(q, &vw.UpdateMessagePolicyRequest{RequestId: f.RequestID, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"templates"}},
			Policy: &vw.MessagePolicy{Name: m.GetName(), Etag: f.Get("etag"), Templates: others}})
		if err == nil {
			return goTo("/practice/messages?done=kept"), nil
		}
	}
	switch {
	case err == nil:
	case conflict(err):
		theirs := url.Values{"etag": {m.GetEtag()}}
		if i := slices.IndexFunc(m.GetTemplates(), same); i >= 0 {
			theirs.Set("subject", m.GetTemplates()[i].GetSubject())
			theirs.Set("body", m.GetTemplates()[i].GetBody())
		}
		f.Set("body", t.GetBody()) // one kind of line ends, as what stands there has
		f.meanwhile(q, theirs)
	case !f.refused(err, fields):
		return nil, err
	}
	return &page{name: "practice-wording", title: q.t("messages.wording"), section: "practice", data: p, status: status}, nil
}
