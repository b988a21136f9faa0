package desk

import (
	"net/http"
	"slices"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// fillClose prepares the end of a visit: what was not marked yet, and what is
// usually placed where the tooth stands or on the way that was chosen.
func (q *ask) fillClose(p *visitView) {
	v := p.Visit
	for _, s := range v.GetOrder() {
		if !s.GetDone() && s.GetStage() != "" {
			p.Gaps = append(p.Gaps, s)
		}
	}
	ways := v.GetAnswer().GetWays()
	want := q.form.Get("way")
	for _, w := range ways {
		if w.GetId() == want {
			p.Way = w
		}
	}
	if p.Way == nil && len(ways) > 0 {
		p.Way = ways[len(ways)-1] // where the tooth stands now
	}
	if !q.posted() {
		p.Form.Set("medicament", p.Way.GetClosing().GetMedicament())
		p.Form.Set("temporary", p.Way.GetClosing().GetTemporary())
		p.Form.Set("forced_because", v.GetMustStop())
	}
	p.Dressings, p.Temporaries = q.dressings(p.chairHead), p.Named["temporaries"].options(q.t("chair.no-temporary"))
}

// dressings are what can be put into the canals; none stands first, and once.
func (q *ask) dressings(h *chairHead) []option {
	return slices.DeleteFunc(h.Named["medicaments"].options(q.t("chair.no-dressing")), func(o option) bool { return o.Value == "none" })
}

// closing reads what was placed.
func (q *ask) closing(f *form) *vw.VisitClosing {
	c := &vw.VisitClosing{Medicament: f.Get("medicament"), Temporary: f.Get("temporary"), ForcedBecause: f.Get("forced_because")}
	if mm := f.number(q, "seal_mm", 0, 20); mm != nil {
		c.SealMm = *mm
	}
	return c
}

var closingFields = map[string]string{"closing.medicament": "medicament", "closing.temporary": "temporary", "closing.seal_mm": "seal_mm", "closing.forced_because": "forced_because", "end_time": "at"}

// closeVisit ends a visit, or shows beforehand when the patient must be back.
func (q *ask) closeVisit() (*page, error) {
	name, err := q.visitName()
	if err != nil {
		return nil, err
	}
	f := q.typed()
	before, err := q.chair().GetVisit(q, &vw.GetVisitRequest{Name: name})
	if err != nil {
		return nil, err
	}
	m := &vw.ChairMark{}
	q.readTime(f, before, m)
	request := &vw.EndVisitRequest{Name: name, Closing: q.closing(f), EndTime: m.GetTime(), RequestId: f.RequestID, ValidateOnly: f.Get("do") == "show"}
	var preview *vw.ChairVisit
	if f.ok() {
		visit, err := q.chair().EndVisit(q, request)
		switch {
		case err == nil && request.GetValidateOnly():
			preview = visit
		case err == nil:
			q.carryOver(visit, vw.Appointment_STATE_LEFT)
			return goTo("/cases/" + q.path("case") + "/chair/" + q.path("visit") + "/plan?done=ended"), nil
		case !f.refused(err, closingFields):
			return nil, err
		}
	}
	status := http.StatusUnprocessableEntity
	if preview != nil {
		status = 0
	}
	p, err := q.showVisit(f, "close", status)
	if shown, is := p.dataOf().(*visitView); is {
		shown.Preview = preview
	}
	return p, err
}

func (p *page) dataOf() any {
	if p == nil {
		return nil
	}
	return p.data
}

// stopView ends the treatment: relief and seal, what is cancelled, the report.
type stopView struct {
	*chairHead
	Form                   *form
	Events                 []option
	Reasons                []option
	Dressings, Temporaries []option
	Preview                *vw.StopTreatmentResponse
	Cancels                []*vw.Appointment
}

func (q *ask) stopTreatmentPage() (*page, error) {
	return q.showStopTreatment(newForm(q.form), nil, 0)
}

func (q *ask) showStopTreatment(f *form, preview *vw.StopTreatmentResponse, status int) (*page, error) {
	h, err := q.readChair("stop")
	if err != nil {
		return nil, err
	}
	if h.Ended() {
		return goTo(h.At), nil
	}
	p := &stopView{chairHead: h, Form: f, Preview: preview, Dressings: q.dressings(h), Temporaries: h.Named["temporaries"].options(q.t("chair.no-temporary"))}
	for _, e := range h.Named["chair-events"].list {
		if len(e.GetNeeds()) > 0 || !slices.Contains(e.GetTraits(), "bars-filling") {
			continue
		}
		o := option{Value: e.GetId(), Text: e.GetTitle()}
		if slices.Contains(e.GetTraits(), "ends-treatment") {
			p.Events = append([]option{o}, p.Events...)
		} else {
			p.Events = append(p.Events, o)
		}
	}
	p.Reasons = []option{{Text: q.t("chair.stay-open")}}
	for _, e := range h.Named["closing-reasons"].list {
		if e.GetId() != "healed-discharged" {
			p.Reasons = append(p.Reasons, option{Value: e.GetId(), Text: e.GetTitle()})
		}
	}
	for _, name := range preview.GetCancelledAppointments() {
		a, err := q.diary().GetAppointment(q, &vw.GetAppointmentRequest{Name: name})
		if err != nil {
			return nil, err
		}
		p.Cancels = append(p.Cancels, a)
	}
	return &page{name: "chair-stop", title: q.titleOf("chair.stop-title", h.head), section: "patients", bare: true, data: p, status: status}, nil
}

func (q *ask) stopTreatment() (*page, error) {
	name, err := q.visitName()
	if err != nil {
		return nil, err
	}
	f := q.typed()
	if f.Get("event") == "" {
		f.wrong("event", q.t("chair.stop-event-missing"))
	}
	request := &vw.StopTreatmentRequest{Name: name, Event: f.Get("event"), Closing: q.closing(f), ClosingReason: f.Get("closing_reason"), Note: f.Get("note"),
		RequestId: f.RequestID, ValidateOnly: f.Get("do") == "show"}
	if f.ok() {
		reply, err := q.chair().StopTreatment(q, request)
		switch {
		case err == nil && request.GetValidateOnly():
			return q.showStopTreatment(f, reply, 0)
		case err == nil:
			q.carryOver(reply.GetVisit(), vw.Appointment_STATE_LEFT)
			return goTo("/cases/" + q.path("case") + "/report?kind=stop&done=stopped"), nil
		case !f.refused(err, map[string]string{"event": "event", "closing.medicament": "medicament", "closing.temporary": "temporary", "closing.seal_mm": "seal_mm",
			"closing_reason": "closing_reason", "note": "note"}):
			return nil, err
		}
	}
	return q.showStopTreatment(f, nil, http.StatusUnprocessableEntity)
}
