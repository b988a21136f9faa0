package diary_test

import (
	"fmt"
	"testing"

	"github.com/visitwright/visitwright/scheduler/diary"
)

// What a search remembers of a day must not outlive the day: a booking that
// ends can make it the best of all.
func TestASearchRemembersNothingOfADayOnceTheDiaryHasMovedOn(t *testing.T) {
	const days = 45
	p, first, bookings := busyPractice(t, days)
	m, err := diary.Build(p, first, days, 1, bookings)
	if err != nil {
		t.Fatal(err)
	}
	req := busyRequest(p, first, true)
	req.Weights.WaitDay, req.Weights.Early, req.Weights.Late = 0, 0, 0
	offers := func(m *diary.Masks) string {
		got, err := m.Search(req)
		if err != nil {
			t.Fatal(err)
		}
		text := ""
		for _, o := range got.Offers {
			text += fmt.Sprintln(o.Cost.Sum(), o.Places[0], o.Places[1])
		}
		return text
	}
	was, changed := offers(m), 0
	for i := 0; i < len(bookings); i += 7 {
		later, err := m.With(diary.Change{Version: 2, Ended: bookings[i : i+1]})
		if err != nil {
			t.Fatal(err)
		}
		got := offers(later)
		if got != was {
			changed++
		}
		later.Forget()
		if want := offers(later); got != want {
			t.Fatalf("after %s ended:\n got %s\nwant %s", bookings[i].ID, got, want)
		}
	}
	if changed == 0 {
		t.Error("no booking changed the offers when it ended: nothing was tested")
	}
}
