package desk

import (
	"net/url"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var recordRoutes = []route{
	{"GET /practice/jobs", managers, (*ask).jobsPage},
	{"GET /practice/record", managers, (*ask).recordPage},
}

// jobsPage says whether what runs by itself runs.
type jobsPage struct {
	Jobs   []*vw.Job
	Server *vw.ServerInfo
}

func (q *ask) jobsPage() (*page, error) {
	list, err := q.followUp().ListJobs(q, &vw.ListJobsRequest{Parent: q.practice, PageSize: 100})
	if err != nil {
		return nil, err
	}
	info, err := q.planner().GetServerInfo(q, &vw.GetServerInfoRequest{})
	return &page{name: "practice-jobs", title: q.t("practice.jobs"), section: "practice", data: &jobsPage{Jobs: list.GetJobs(), Server: info}}, err
}

// recordPage is the audit trail: who read and changed what, and when.
type recordPage struct {
	Entries []*vw.AuditEntry
	Next    string
	Form    *form
	// Checked says whether the chain of hashes is whole; nil when not asked.
	Checked *vw.AuditVerification
}

func (q *ask) recordPage() (*page, error) {
	f := newForm(url.Values{"about": {q.form.Get("about")}})
	p := &recordPage{Form: f}
	list, err := q.planner().ListAuditEntries(q, &vw.ListAuditEntriesRequest{Parent: q.practice, PageSize: 100, PageToken: q.form.Get("after"), Resource: f.Get("about")})
	if err != nil {
		return nil, err
	}
	p.Entries = list.GetEntries()
	if next := list.GetNextPageToken(); next != "" {
		p.Next = "/practice/record?" + url.Values{"after": {next}, "about": {f.Get("about")}}.Encode()
	}
	if q.form.Get("check") != "" {
		if p.Checked, err = q.planner().VerifyAuditTrail(q, &vw.VerifyAuditTrailRequest{Parent: q.practice}); err != nil {
			return nil, err
		}
	}
	return &page{name: "practice-record", title: q.t("practice.record"), section: "practice", data: p}, nil
}
