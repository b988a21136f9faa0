package diary_test

import (
	"testing"

	"github.com/visitwright/visitwright/scheduler/diary"
)

func TestAPracticeThatBooksOnTheHalfHourIsOfferedNothingElse(t *testing.T) {
	p, first := oneRoom(t)
	m, err := diary.Build(p, first, 3, 1, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, step := range []int{0, 15, 30, 60} {
		got, err := m.Search(&diary.Request{Now: p.Zone.Day(first.AddDays(-1)).Start, StartStep: step, Best: diary.MostOffers,
			Visits: []diary.Visit{{Protocol: p.Clinicians[0].Protocols[0], Minutes: 40, Window: diary.AnyDay, Parts: diary.Manner{}.Parts(40)[:2]}}})
		if err != nil || len(got.Offers) == 0 {
			t.Fatalf("step %d: %v, %d offers", step, err, len(got.Offers))
		}
		for _, o := range got.Offers {
			if at := o.Places[0].Local.Time.Minutes(); step > 0 && at%step != 0 {
				t.Errorf("step %d: offered %s", step, o.Places[0].Local)
			}
		}
	}
	for _, step := range []int{-5, 7, 25, 120} {
		_, err := m.Search(&diary.Request{Now: p.Zone.Day(first.AddDays(-1)).Start, StartStep: step, Best: 1,
			Visits: []diary.Visit{{Protocol: "p", Minutes: 40, Window: diary.AnyDay, Parts: diary.Manner{}.Parts(40)}}})
		if err == nil {
			t.Errorf("a step of %d minutes was taken", step)
		}
	}
}
