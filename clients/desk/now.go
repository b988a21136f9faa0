package desk

import (
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var nowRoutes = []route{
	{"GET /{$}", everybody, (*ask).nowPage},
}

// nowPage is the opening page: what needs a decision now.
type nowPage struct {
	Decide []*vw.FollowUp
}

func (q *ask) nowPage() (*page, error) {
	p := &nowPage{}
	if q.is(careTeam...) {
		list, err := q.followUp().ListFollowUps(q, &vw.ListFollowUpsRequest{Parent: q.practice, PageSize: 100, View: "needs-decision"})
		if err != nil {
			return nil, err
		}
		p.Decide = list.GetFollowUps()
	}
	return &page{name: "now", title: q.t("now.title"), section: "now", data: p}, nil
}
