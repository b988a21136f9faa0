package desk

import (
	"cmp"
	"net/http"
	"net/url"
	"regexp"
	"slices"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var dueRoutes = []route{
	{"GET /due", careTeam, (*ask).duePage},
	{"GET /due/put-off", careTeam, (*ask).putOffPage},
	{"POST /due/put-off", careTeam, (*ask).putOff},
	{"GET /due/finish", clinicians, (*ask).finishDuePage},
	{"POST /due/finish", clinicians, (*ask).finishDue},
}

// The parts of the follow-up list, in the order of the page; all is everything
// that is not ahead.
var dueViews = []string{"needs-decision", "today", "overdue", "next-14-days", "all"}

// caseID is what the id of a case looks like.
var caseID = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,62}$`)

// mostDue is how many entries one page shows.
const mostDue = 200

// duePage is the follow-up list.
type duePage struct {
	View, Kind, Actor string
	Views             []dueView
	Rows              []dueRow
	More              bool
	Form              *form
	Kinds, Actors     []option
	Done              string
	// Everybody leads from the tasks of one's own role to those of all.
	Everybody string
}

// mineActor in an address means the tasks of the role that is signed in.
const mineActor = "mine"

// dueActors are those whose tasks a role sees to; none for a role that sees to
// none.
func (q *ask) dueActors() []string {
	switch {
	case q.is(vw.Role_ROLE_RECEPTION):
		return []string{"reception", "referring-dentist"}
	case q.is(clinicians...):
		return []string{"clinician"}
	}
	return nil
}

// dueView is one part of the list.
type dueView struct {
	Path, Text string
	Current    bool
}

// dueRow is one entry with the patient and with what can be done about it.
type dueRow struct {
	*vw.FollowUp
	Patient *vw.Patient
	// Do are the steps from here, the main one first.
	Do []dueStep
}

type dueStep struct{ Path, Text string }

func (q *ask) duePage() (*page, error) {
	p := &duePage{View: q.form.Get("view"), Kind: q.form.Get("kind"), Actor: q.form.Get("actor")}
	if !slices.Contains(dueViews, p.View) {
		p.View = "all"
	}
	p.Done = q.done("due")
	request := &vw.ListFollowUpsRequest{Parent: q.practice, PageSize: mostDue, View: p.View}
	if p.View == "all" {
		request.View = ""
	}
	// One case's entries, those ahead included.
	if id := q.form.Get("case"); caseID.MatchString(id) {
		request.Case, request.View = q.name("cases", id), ""
	}
	for _, k := range []string{"return-visit", "core", "restoration", "review", "re-assessment", "decision", "booking"} {
		p.Kinds = append(p.Kinds, option{Value: k, Text: q.t("due.kind-" + k)})
	}
	if !q.form.Has("actor") && request.GetCase() == "" {
		p.Actor = mineActor
	}
	for _, a := range []string{"reception", "clinician", "referring-dentist"} {
		p.Actors = append(p.Actors, option{Value: a, Text: q.t("due.actor-" + a)})
	}
	if slices.ContainsFunc(p.Kinds, func(o option) bool { return o.Value == p.Kind }) {
		request.Kind = p.Kind
	}
	if slices.ContainsFunc(p.Actors, func(o option) bool { return o.Value == p.Actor }) {
		request.Actor = p.Actor
	} else if p.Actor != mineActor {
		p.Actor = ""
	}
	own := q.dueActors()
	if len(own) == 0 && p.Actor == mineActor {
		p.Actor = ""
	}
	if len(own) > 0 {
		p.Actors = slices.Insert(p.Actors, 0, option{Value: mineActor, Text: q.t("due.my-tasks")})
	}
	p.Kinds = slices.Insert(p.Kinds, 0, option{Text: q.t("due.every-kind")})
	p.Actors = slices.Insert(p.Actors, 0, option{Text: q.t("due.everybody")})
	p.Form = newForm(url.Values{"kind": {request.GetKind()}, "actor": {p.Actor}, "view": {p.View}})
	for _, v := range dueViews {
		at := url.Values{"view": {v}}
		if request.GetKind() != "" {
			at.Set("kind", request.GetKind())
		}
		at.Set("actor", p.Actor)
		p.Views = append(p.Views, dueView{Path: "/due?" + at.Encode(), Text: q.t("due.view-" + v), Current: v == p.View})
	}
	if p.Actor != mineActor {
		own = []string{request.GetActor()}
	} else if request.GetCase() == "" {
		p.Everybody = "/due?" + url.Values{"view": {p.View}, "kind": {request.GetKind()}, "actor": {""}}.Encode()
	}
	var found []*vw.FollowUp
	for _, request.Actor = range own {
		list, err := q.followUp().ListFollowUps(q, request)
		if err != nil {
			return nil, err
		}
		p.More = p.More || list.GetNextPageToken() != ""
		found = append(found, list.GetFollowUps()...)
	}
	if len(own) > 1 { // each list is sorted by its latest day
		slices.SortStableFunc(found, func(a, b *vw.FollowUp) int {
			return cmp.Compare(q.words.ISODate(a.GetLatestDate()), q.words.ISODate(b.GetLatestDate()))
		})
	}
	var err error
	if p.Rows, err = q.dueRows(found); err != nil {
		return nil, err
	}
	return &page{name: "due", title: q.t("due.title"), section: "due", data: p}, nil
}

// dueRows finds the patients of the entries, in one call, and what can be done.
func (q *ask) dueRows(list []*vw.FollowUp) ([]dueRow, error) {
	var names []string
	for _, f := range list {
		names = append(names, f.GetPatient())
	}
	who, err := q.whoIs(nil, names...)
	if err != nil {
		return nil, err
	}
	rows := make([]dueRow, 0, len(list))
	for _, f := range list {
		rows = append(rows, dueRow{FollowUp: f, Patient: who.patients[f.GetPatient()], Do: q.dueSteps(f)})
	}
	return rows, nil
}

// dueSteps are what can be done about an entry, by whoever is signed in.
func (q *ask) dueSteps(f *vw.FollowUp) []dueStep {
	at := "/cases/" + lastPart(f.GetCase())
	entry := url.Values{"case": {lastPart(f.GetCase())}, "key": {f.GetKey()}}.Encode()
	var steps []dueStep
	if f.GetProposedPlan() != "" {
		steps = append(steps, dueStep{at + "/options", q.t("due.do-plan")})
	}
	if f.GetFindOffers() != nil {
		steps = append(steps, dueStep{at + "/book?" + url.Values{"due": {f.GetKey()}}.Encode(), q.t("due.do-offers")})
	}
	switch f.GetKind() {
	case "review":
		if q.is(clinicians...) {
			steps = append(steps, dueStep{at + "/review", q.t("due.do-review")})
		}
	case "core", "restoration":
		steps = append(steps, dueStep{at + "/care#restored", q.t("due.do-restored")})
	case "decision", "re-assessment":
		if q.is(clinicians...) {
			steps = append(steps, dueStep{"/due/finish?" + entry, q.t("due.do-finish")})
		}
	}
	return append(steps, dueStep{"/due/put-off?" + entry, q.t("due.do-put-off")})
}

// dueEntryPage is one entry of the list with a form below it.
type dueEntryPage struct {
	Row  dueRow
	Form *form
}

// dueEntry reads the entry that an address names.
func (q *ask) dueEntry(f *form) (*dueEntryPage, error) {
	list, err := q.followUp().ListFollowUps(q, &vw.ListFollowUpsRequest{Parent: q.practice, PageSize: 100, Case: q.name("cases", f.Get("case"))})
	if err != nil {
		return nil, err
	}
	for _, entry := range list.GetFollowUps() {
		if entry.GetKey() == f.Get("key") {
			rows, err := q.dueRows([]*vw.FollowUp{entry})
			if err != nil {
				return nil, err
			}
			return &dueEntryPage{Row: rows[0], Form: f}, nil
		}
	}
	return nil, errDueOver
}

// errDueOver: the entry has gone since the page was read, which is good news.
var errDueOver = &deskError{http.StatusNotFound, "fault.due-over"}

func (q *ask) putOffPage() (*page, error) {
	f := q.typed()
	p, err := q.dueEntry(f)
	if err != nil {
		return nil, err
	}
	if f.Get("until") == "" {
		f.Set("until", q.words.ISODate(dateOf(q.words.now.AddDate(0, 0, 7))))
	}
	return &page{name: "due-put-off", title: q.t("due.put-off"), section: "due", data: p}, nil
}

func (q *ask) putOff() (*page, error) {
	f := q.typed()
	until := f.day(q, "until")
	if f.Get("until") == "" {
		f.wrong("until", q.t("form.date-wrong"))
	}
	if f.Get("reason") == "" {
		f.wrong("reason", q.t("due.reason-missing"))
	}
	if f.ok() {
		_, err := q.followUp().PutOffFollowUp(q, &vw.PutOffFollowUpRequest{Case: q.name("cases", f.Get("case")), Key: f.Get("key"), UntilDate: until, Reason: f.Get("reason"), RequestId: f.RequestID})
		if err == nil {
			return goTo("/due?done=put-off"), nil
		}
		if !f.refused(err, map[string]string{"until_date": "until", "reason": "reason"}) {
			return nil, err
		}
	}
	p, err := q.dueEntry(f)
	if err != nil {
		return nil, err
	}
	return &page{name: "due-put-off", title: q.t("due.put-off"), section: "due", data: p, status: http.StatusUnprocessableEntity}, nil
}

func (q *ask) finishDuePage() (*page, error) {
	p, err := q.dueEntry(q.typed())
	if err != nil {
		return nil, err
	}
	return &page{name: "due-finish", title: q.t("due.finish"), section: "due", data: p}, nil
}

func (q *ask) finishDue() (*page, error) {
	f := q.typed()
	if f.Get("note") == "" {
		f.wrong("note", q.t("due.note-missing"))
	}
	if f.ok() {
		_, err := q.followUp().FinishFollowUp(q, &vw.FinishFollowUpRequest{Case: q.name("cases", f.Get("case")), Key: f.Get("key"), Reason: f.Get("note"), RequestId: f.RequestID})
		if err == nil {
			return goTo("/due?done=finish"), nil
		}
		if !f.refused(err, map[string]string{"reason": "note"}) {
			return nil, err
		}
	}
	p, err := q.dueEntry(f)
	if err != nil {
		return nil, err
	}
	return &page{name: "due-finish", title: q.t("due.finish"), section: "due", data: p, status: http.StatusUnprocessableEntity}, nil
}
