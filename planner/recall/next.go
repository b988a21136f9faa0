package recall

import "fmt"

// Held is a review that took place: its place in the calendar and what it
// found.
type Held struct {
	Review    int // index into Calendar.Reviews
	Judgement Judgement
	Symptoms  bool // pain, swelling or sinus tract at the review
}

// Step is what follows from the reviews held so far.
type Step struct {
	Kind   StepKind
	Review *Review // for ReviewDue
	Index  int     // its place in Calendar.Reviews
	Reason string
}

// StepKind says what is asked of the practice.
type StepKind string

const (
	ReviewDue  StepKind = "review due"
	Reassess   StepKind = "re-assess now"
	Decide     StepKind = "decide"
	SeriesOver StepKind = "series complete"
)

// reviewBeforeEnding is the month before which a healed tooth stays in the
// series: bone that looks healed early is looked at once more at one year.
const reviewBeforeEnding = 12

// Next says what follows. The rules: healed at six months does not end the
// series before twelve; not healed with symptoms goes to re-assessment;
// healing goes on yearly; still not healed at the calendar's end needs a
// decision by the clinician.
func Next(c Calendar, held []Held) (Step, error) {
	reviews, err := c.Reviews()
	if err != nil {
		return Step{}, err
	}
	last := -1
	var latest *Held
	for i := range held {
		if held[i].Review < 0 || held[i].Review >= len(reviews) {
			return Step{}, fmt.Errorf("review %d: the calendar %q has %d reviews", held[i].Review+1, c.ID, len(reviews))
		}
		if held[i].Review > last {
			last, latest = held[i].Review, &held[i]
		}
	}
	if latest != nil && latest.Judgement.Outcome == NotHealed && latest.Symptoms {
		return Step{Kind: Reassess, Index: last, Reason: "not healed, with symptoms: " + join(latest.Judgement.Reasons)}, nil
	}
	next := last + 1
	if latest != nil && c.YearlyWhile == "not-healed" && latest.Judgement.Outcome == Healed &&
		reviews[last].Target.Months >= reviewBeforeEnding {
		return Step{Kind: SeriesOver, Index: last, Reason: "healed at " + reviews[last].Label}, nil
	}
	if next < len(reviews) {
		reason := "the calendar's next review"
		if latest != nil {
			reason = fmt.Sprintf("%s at %s", latest.Judgement.Outcome, reviews[last].Label)
		}
		return Step{Kind: ReviewDue, Review: &reviews[next], Index: next, Reason: reason}, nil
	}
	if latest != nil && latest.Judgement.Outcome != Healed {
		return Step{Kind: Decide, Index: last, Reason: fmt.Sprintf("%s at %s, the end of the calendar: the clinician decides between further review, treating again and leaving it", latest.Judgement.Outcome, reviews[last].Label)}, nil
	}
	return Step{Kind: SeriesOver, Index: last, Reason: "the calendar is complete"}, nil
}

func join(reasons []string) string {
	out := ""
	for i, r := range reasons {
		if i > 0 {
			out += "; "
		}
		out += r
	}
	return out
}
