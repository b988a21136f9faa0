package difficulty

import (
	"fmt"
	"sort"
	"strings"

	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/planner/tooth"
)

// Unknown is an answer of every part, the same as no answer.
const Unknown = "unknown"

// Answers by part id, for example "root-curvature": "over-30".
type Answers map[string]string

// Reason is one criterion that lifts the level.
type Reason struct {
	Criterion string          `json:"criterion"`
	Part      string          `json:"part"`
	Answer    string          `json:"answer"`
	Level     Level           `json:"level"`
	Text      string          `json:"text"`
	Mark      provenance.Mark `json:"mark"`
}

// Gap is a part that nobody has answered.
type Gap struct {
	Criterion string `json:"criterion"`
	Part      string `json:"part"`
	Topic     string `json:"topic"`
	Ask       string `json:"ask"`
	Worst     Level  `json:"worst"` // level of its worst answer
	// Alone is the level of the case if this part alone turned out at its worst.
	Alone Level `json:"alone"`
}

// Result of an assessment.
type Result struct {
	Edition Edition `json:"edition"`
	// Level by what is answered; NotAssessed when nothing is.
	Level Level `json:"level"`
	// Could is the level if everything unknown turned out at its worst.
	Could Level `json:"could"`
	// Levels of the criteria with at least one answered part, at the worst of
	// the answers given.
	Levels map[string]Level `json:"levels"`
	// Reasons lift the level above minimal, the weightiest first.
	Reasons []Reason `json:"reasons"`
	Unknown []Gap    `json:"unknown"` // in the order of a visit
	// Answered of Asked parts.
	Answered int `json:"answered"`
	Asked    int `json:"asked"`
	// Summary says it in sentences: level and rule first, then what could change.
	Summary []Line `json:"summary"`
	// ConsiderVolume: the edition advises to consider a CBCT at this level.
	ConsiderVolume bool `json:"consider_volume"`
	// Mark is the weakest figure that decides the level: a rule or an answer.
	Mark provenance.Mark `json:"mark"`
}

// Line is one sentence with the standing of what it says.
type Line struct {
	Text string          `json:"text"`
	Mark provenance.Mark `json:"mark"`
}

// Assess applies an edition of the form. Parts without an answer are unknown,
// never minimal. Errors name a part or an answer that the edition does not
// have, and what it has.
func Assess(e Edition, answers Answers) (Result, error) {
	f, err := formOf(e)
	if err != nil {
		return Result{}, err
	}
	if err := f.check(answers); err != nil {
		return Result{}, err
	}
	r := Result{Edition: e, Levels: map[string]Level{}, Asked: f.answersParts}
	worst := map[string]Level{} // with every unknown at its worst
	for _, c := range f.Criteria {
		var lifted *Reason
		for _, p := range c.Parts {
			a, answered := p.answer(answers[p.ID])
			if !answered {
				r.Unknown = append(r.Unknown, Gap{Criterion: c.ID, Part: p.ID, Topic: p.Topic, Ask: p.Ask, Worst: p.worst().Level})
				worst[c.ID] = higher(worst[c.ID], p.worst().Level)
				continue
			}
			r.Answered++
			r.Levels[c.ID] = higher(r.Levels[c.ID], a.Level)
			worst[c.ID] = higher(worst[c.ID], a.Level)
			if a.Level.Over(Minimal) && (lifted == nil || a.Level.Over(lifted.Level)) {
				lifted = &Reason{Criterion: c.ID, Part: p.ID, Answer: a.ID, Level: a.Level, Text: p.Topic + ": " + a.Text, Mark: a.Mark}
			}
		}
		if lifted != nil {
			r.Reasons = append(r.Reasons, *lifted)
		}
	}
	sort.SliceStable(r.Reasons, func(i, j int) bool { return r.Reasons[i].Level.Over(r.Reasons[j].Level) })
	r.Level = f.Rule.level(r.Levels)
	r.Could = f.Rule.level(worst)
	for i, g := range r.Unknown {
		alone := map[string]Level{g.Criterion: higher(r.Levels[g.Criterion], g.Worst)}
		for id, l := range r.Levels {
			if id != g.Criterion {
				alone[id] = l
			}
		}
		r.Unknown[i].Alone = f.Rule.level(alone)
	}
	r.ConsiderVolume = f.VolumeFrom != NotAssessed && !f.VolumeFrom.Over(r.Level)
	r.Mark = f.decisive(r)
	r.Summary = f.summary(r)
	return r, nil
}

// check refuses what the edition does not have; in a fixed order, so that the
// same answers give the same error.
func (f *form) check(answers Answers) error {
	parts := make([]string, 0, len(answers))
	for part := range answers {
		parts = append(parts, part)
	}
	sort.Strings(parts)
	for _, id := range parts {
		at, ok := f.criterionOf[id]
		if !ok {
			return fmt.Errorf("difficulty answer %s: the %s has no such question; want one of %s", quoted(id), f.Title, strings.Join(f.partIDs(), ", "))
		}
		for _, p := range f.Criteria[at].Parts {
			if p.ID != id {
				continue
			}
			given := answers[id]
			if _, ok := p.answer(given); !ok && given != Unknown && given != "" {
				return fmt.Errorf("difficulty answer %s to %s: want one of %s", quoted(given), id, p.answerIDs())
			}
		}
	}
	return nil
}

func (f *form) partIDs() []string {
	var ids []string
	for _, c := range f.Criteria {
		for _, p := range c.Parts {
			ids = append(ids, p.ID)
		}
	}
	return ids
}

// level by the rule of the edition: one high criterion, or enough moderate
// ones, make a high case; one moderate makes a moderate case.
func (r rule) level(criteria map[string]Level) Level {
	moderate, out := 0, NotAssessed
	for _, l := range criteria {
		switch l {
		case High:
			return High
		case Moderate:
			moderate++
		}
		out = higher(out, l)
	}
	if moderate >= r.ModerateForHigh {
		return High
	}
	return out
}

// decisive is the weakest mark among what fixes the level.
func (f *form) decisive(r Result) provenance.Mark {
	if len(r.Reasons) > 0 && r.Reasons[0].Level == High {
		// One high answer is enough: a published one needs no help from the rest.
		best := r.Reasons[0].Mark
		for _, why := range r.Reasons {
			if why.Level == High && best.Kind != provenance.Published {
				best = why.Mark
			}
		}
		return best
	}
	weakest := f.Rule.Mark
	for _, why := range r.Reasons {
		if why.Mark.Kind != provenance.Published {
			weakest = why.Mark
		}
	}
	return weakest
}

func (f *form) summary(r Result) []Line {
	var out []Line
	switch {
	case r.Level == NotAssessed:
		out = append(out, Line{Text: "Not assessed: no question is answered", Mark: f.Rule.Mark})
	default:
		out = append(out, Line{
			Text: fmt.Sprintf("%s by the %s, as far as answered (%d of %d questions): %s",
				capital(string(r.Level)), f.Title, r.Answered, r.Asked, f.because(r)),
			Mark: r.Mark,
		})
	}
	if r.Could.Over(r.Level) {
		var alone []string
		for _, g := range r.Unknown {
			if g.Alone.Over(r.Level) {
				alone = append(alone, uncapital(g.Topic))
			}
		}
		text := fmt.Sprintf("It could become %s if what is unknown turned out badly", r.Could)
		if len(alone) > 0 && r.Level != NotAssessed {
			text += "; one of these alone would lift it: " + strings.Join(alone, ", ")
		}
		out = append(out, Line{Text: text, Mark: f.Rule.Mark})
	} else if len(r.Unknown) > 0 {
		out = append(out, Line{Text: "What is unknown cannot lift it further", Mark: f.Rule.Mark})
	}
	if r.ConsiderVolume {
		out = append(out, Line{Text: "The form advises to consider a CBCT at this level, where it would change the treatment", Mark: *f.VolumeMark})
	}
	return out
}

// because names the rule that applied.
func (f *form) because(r Result) string {
	high, moderate := 0, 0
	for _, why := range r.Reasons {
		if why.Level == High {
			high++
		} else {
			moderate++
		}
	}
	switch {
	case high == 1:
		return "one high criterion is enough"
	case high > 1:
		return fmt.Sprintf("%d high criteria, one is enough", high)
	case moderate >= f.Rule.ModerateForHigh:
		return fmt.Sprintf("%d moderate criteria, %d make it high", moderate, f.Rule.ModerateForHigh)
	case moderate == 1:
		return "one moderate criterion"
	case moderate > 1:
		return fmt.Sprintf("%d moderate criteria, %d would make it high", moderate, f.Rule.ModerateForHigh)
	}
	return "only minimal answers"
}

// Known answers what the tooth itself tells: its place in the arch. It is
// empty for a tooth not yet identified.
func Known(c tooth.Code) Answers {
	switch {
	case !c.Valid():
		return Answers{}
	case c.Class() != tooth.Molar:
		return Answers{"arch-position": "front-or-premolar"}
	case c.Position() == 6:
		return Answers{"arch-position": "first-molar"}
	}
	return Answers{"arch-position": "second-or-third-molar"}
}

// AssessTooth is Assess with what the tooth tells filled in. Answers that
// contradict the tooth are refused and both are named.
func AssessTooth(e Edition, c tooth.Code, answers Answers) (Result, error) {
	all := Answers{}
	for part, a := range answers {
		all[part] = a
	}
	for part, a := range Known(c) {
		if given := all[part]; given != "" && given != Unknown && given != a {
			return Result{}, fmt.Errorf("difficulty answer %s to %s contradicts the tooth, %s: want %s", quoted(given), part, c.Label(tooth.ISO), a)
		}
		all[part] = a
	}
	if c.Valid() {
		lower := c.Arch() == tooth.Lower && c.Class() != tooth.Molar
		upperPremolar := c.Arch() == tooth.Upper && c.Class() == tooth.Premolar
		if d := all["root-division"]; d == "two-rooted-lower" && !lower || d == "three-rooted-upper-premolar" && !upperPremolar {
			return Result{}, fmt.Errorf("difficulty answer %s to root-division contradicts the tooth, %s: want usual or deep-division", quoted(d), c.Label(tooth.ISO))
		}
	}
	return Assess(e, all)
}

// ReferralSetting says from which level a clinician wants to see "consider
// referral".
type ReferralSetting string

// The settings.
const (
	ReferNever        ReferralSetting = "never"
	ReferFromModerate ReferralSetting = "moderate"
	ReferFromHigh     ReferralSetting = "high"
)

// ConsiderReferral reports whether the line shows for a clinician with this
// setting. It goes by what is answered, not by what could turn out. The error
// names the settings there are.
func (r Result) ConsiderReferral(s ReferralSetting) (bool, error) {
	switch s {
	case ReferNever:
		return false, nil
	case ReferFromModerate:
		return !Moderate.Over(r.Level), nil
	case ReferFromHigh:
		return !High.Over(r.Level), nil
	}
	return false, fmt.Errorf("referral setting %s: want never, moderate or high", quoted(string(s)))
}

func uncapital(s string) string {
	if s == "" || s[0] < 'A' || s[0] > 'Z' {
		return s
	}
	return string(s[0]-'A'+'a') + s[1:]
}

func capital(s string) string {
	if s == "" || s[0] < 'a' || s[0] > 'z' {
		return s
	}
	return string(s[0]-'a'+'A') + s[1:]
}
