package recall

import (
	"fmt"
	"strings"
)

// Finding is what a review found. Index 0 means that no radiograph was taken.
type Finding struct {
	// IndexBefore and IndexNow are the periapical index, 1 (normal) to 5; the
	// worst root counts, and in doubt the higher score.
	IndexBefore, IndexNow int
	Symptoms              bool // pain, or tenderness that the patient reports
	SinusTract            bool
	Swelling              bool
	TenderToPercussion    bool
	DeepProbing           bool // an isolated deep pocket: think of a crack or root fracture
	RestorationLost       bool // missing, leaking or broken
}

// Outcome of a review.
type Outcome string

const (
	Healed    Outcome = "healed"
	Healing   Outcome = "healing"
	NotHealed Outcome = "not healed"
	// Unread: without a radiograph only the clinical state is known.
	Unread Outcome = "clinically quiet, radiograph not read"
)

// Judgement is the outcome under the strict rule (bone back to normal or
// nearly so) and the loose one (smaller counts as success), with the reasons.
type Judgement struct {
	Outcome Outcome
	// Strict success: healed. Loose success: healed or healing.
	Strict, Loose bool
	Reasons       []string
	// Advice that does not follow from the outcome itself, for example a lost
	// restoration.
	Advice []string
}

// Judge applies the published rule. An index outside 1 to 5 (0 for "not
// taken") is refused.
func Judge(f Finding) (Judgement, error) {
	for _, v := range []struct {
		field string
		index int
	}{{"index_before", f.IndexBefore}, {"index_now", f.IndexNow}} {
		if v.index < 0 || v.index > 5 {
			return Judgement{}, fmt.Errorf("%s %d: the periapical index runs from 1 (normal) to 5; leave it out when no radiograph was taken", v.field, v.index)
		}
	}
	d, err := load()
	if err != nil {
		return Judgement{}, err
	}
	var j Judgement
	signs := signsOf(f)
	if f.DeepProbing {
		j.Advice = append(j.Advice, "Isolated deep probing: consider a crack or a root fracture before anything else.")
	}
	if f.RestorationLost {
		j.Advice = append(j.Advice, "The restoration is lost or leaks: renew it, and judge whether the filling has been exposed too long.")
	}
	switch {
	case len(signs) > 0:
		j.Outcome = NotHealed
		j.Reasons = append(j.Reasons, "signs or symptoms: "+strings.Join(signs, ", "))
	case f.IndexNow == 0:
		j.Outcome = Unread
		j.Reasons = append(j.Reasons, "no signs or symptoms; bone cannot be judged without a radiograph")
	case f.IndexNow <= d.Index.HealedAtMost:
		j.Outcome = Healed
		j.Reasons = append(j.Reasons, fmt.Sprintf("index %d, no signs or symptoms", f.IndexNow))
	case f.IndexBefore > 0 && f.IndexNow < f.IndexBefore:
		j.Outcome = Healing
		j.Reasons = append(j.Reasons, fmt.Sprintf("index %d, %d before treatment, no signs or symptoms", f.IndexNow, f.IndexBefore))
	default:
		j.Outcome = NotHealed
		reason := fmt.Sprintf("index %d has not fallen", f.IndexNow)
		if f.IndexBefore == 0 {
			reason = fmt.Sprintf("index %d and none before treatment to compare with", f.IndexNow)
		}
		j.Reasons = append(j.Reasons, reason)
	}
	j.Strict = j.Outcome == Healed
	j.Loose = j.Outcome == Healed || j.Outcome == Healing
	return j, nil
}

func signsOf(f Finding) []string {
	var out []string
	for _, s := range []struct {
		on   bool
		word string
	}{
		{f.Symptoms, "pain"}, {f.SinusTract, "sinus tract"}, {f.Swelling, "swelling"},
		{f.TenderToPercussion, "tender to percussion"}, {f.DeepProbing, "deep probing"},
	} {
		if s.on {
			out = append(out, s.word)
		}
	}
	return out
}
