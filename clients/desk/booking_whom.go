package desk

import (
	"net/url"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// whomPage asks for whom an empty place is.
type whomPage struct {
	Form     *form
	When     string
	Query    string
	Searched bool
	Found    []whomLine
}

type whomLine struct {
	Who, Path string
	Cases     []whomCase
}

type whomCase struct{ Tooth, Path string }

// mostCallers is how many patients a search for a place shows.
const mostCallers = 12

// bookForWhom leads from an empty place of the day to booking it by hand.
func (q *ask) bookForWhom() (*page, error) {
	f := newForm(q.form)
	p := &whomPage{Form: f}
	place := url.Values{}
	for _, k := range []string{"date", "at", "room"} {
		if v := f.Get(k); v != "" {
			place.Set(k, v)
		}
	}
	p.Query = addressWith("", place)
	if d, t := readDate(f.Get("date")), readClock(f.Get("at")); d != nil && t != nil {
		p.When = q.words.Date(d) + " " + q.words.Clock(t)
	}
	if text := f.Get("q"); text != "" {
		p.Searched = true
		found, err := q.findPatients(text)
		if err != nil && !f.refused(err, map[string]string{"filter": "q"}) {
			return nil, err
		}
		for _, patient := range found[:min(len(found), mostCallers)] {
			line := whomLine{Who: patientWords(patient), Path: "/patients/" + lastPart(patient.GetName()) + "/place" + p.Query}
			cases, err := q.planner().ListCases(q, &vw.ListCasesRequest{Parent: q.practice, Filter: &vw.CaseFilter{Patient: patient.GetName(), OpenOnly: true}})
			if err != nil {
				return nil, err
			}
			for _, c := range cases.GetCases() {
				line.Cases = append(line.Cases, whomCase{Tooth: q.words.Tooth(c.GetTooth()), Path: "/cases/" + lastPart(c.GetName()) + "/place" + p.Query})
			}
			p.Found = append(p.Found, line)
		}
	}
	return &page{name: "book-whom", title: q.t("booking.for-whom"), section: "day", data: p}, nil
}
