package desk

import (
	"cmp"
	"slices"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var reportRoutes = []route{
	{"GET /cases/{case}/report", careTeam, (*ask).reportPage},
}

// reportKinds are the occasions of a letter, in the order of a case.
var reportKinds = []string{"consultation", "finish", "stop", "review"}

// reportView is the letter to the referring dentist, laid out for print.
type reportView struct {
	*head
	Kind   string
	Kinds  []string
	Report *vw.Report
	// Why there is none, in the service's words.
	Why  string
	Done string
}

func (q *ask) reportPage() (*page, error) {
	h, err := q.readHead("report")
	if err != nil {
		return nil, err
	}
	p := &reportView{head: h, Kinds: reportKinds, Kind: q.form.Get("kind"), Done: q.done("report")}
	if !slices.Contains(reportKinds, p.Kind) {
		p.Kind = occasionOf(h.Case)
	}
	p.Report, err = q.followUp().GetReport(q, &vw.GetReportRequest{Case: h.Case.GetName(), Occasion: p.Kind})
	if err != nil {
		f := newForm(nil)
		if !f.refused(err, nil) {
			return nil, err
		}
		p.Why = f.Problem
	}
	return &page{name: "report", title: q.titleOf("report.title", h), section: "patients", data: p}, nil
}

// occasionOf is the letter that a case in this state usually asks for.
func occasionOf(c *vw.Case) string {
	switch c.GetState() {
	case vw.Case_STATE_IN_REVIEW:
		return "review"
	case vw.Case_STATE_FILLED:
		return "finish"
	case vw.Case_STATE_CLOSED:
		if cmp.Or(c.GetClosingReason(), "healed-discharged") == "healed-discharged" {
			return "review"
		}
		return "stop"
	}
	return "consultation"
}
