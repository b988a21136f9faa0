package planner

import (
	"slices"
	"strings"

	"github.com/visitwright/visitwright/planner/difficulty"
	"github.com/visitwright/visitwright/proto/fault"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var levelsToProto = map[string]vw.Difficulty_Level{
	string(difficulty.Minimal):  vw.Difficulty_LEVEL_MINIMAL,
	string(difficulty.Moderate): vw.Difficulty_LEVEL_MODERATE,
	string(difficulty.High):     vw.Difficulty_LEVEL_HIGH,
}

func levelFromProto(l vw.Difficulty_Level) difficulty.Level {
	return difficulty.Level(inverse(levelsToProto, l))
}

// referralSetting is from which level a clinician wants to see "consider
// referral".
func referralSetting(c clinicianSettings) difficulty.ReferralSetting {
	switch {
	case !c.ShowReferral:
		return difficulty.ReferNever
	case c.ReferralFrom == string(difficulty.Moderate):
		return difficulty.ReferFromModerate
	}
	return difficulty.ReferFromHigh
}

// answersFromProto reads the answers to the form and refuses what the edition
// does not have.
func answersFromProto(edition difficulty.Edition, answers []*vw.Answer) (difficulty.Answers, error) {
	criteria, err := difficulty.Criteria(edition)
	if err != nil {
		return nil, unknownID("findings.edition", "difficulty-editions").Because(err)
	}
	offered := map[string][]string{}
	for _, c := range criteria {
		for _, p := range c.Parts {
			ids := []string{difficulty.Unknown}
			for _, a := range p.Answers {
				ids = append(ids, a.ID)
			}
			offered[p.ID] = ids
		}
	}
	out := difficulty.Answers{}
	for i, a := range answers {
		at := index("findings.answers", i)
		ids, ok := offered[a.GetCriterion()]
		if !ok {
			return nil, unknownID(at+".criterion", "difficulty-criteria")
		}
		if !slices.Contains(ids, a.GetAnswer()) {
			return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_UNKNOWN_CATALOGUE_ID, at+".answer", "one of "+strings.Join(ids, ", ")).With("catalogue", "difficulty-answers")
		}
		if given, twice := out[a.GetCriterion()]; twice && given != a.GetAnswer() {
			return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_CONTRADICTORY_EVIDENCE, at, "each question answered once")
		}
		out[a.GetCriterion()] = a.GetAnswer()
	}
	return out, nil
}

func difficultyToProto(r difficulty.Result, considerReferral bool) *vw.Difficulty {
	out := &vw.Difficulty{
		Edition: string(r.Edition), Level: levelsToProto[string(r.Level)], CouldBecome: levelsToProto[string(r.Could)], ConsiderReferral: considerReferral,
		Answered: int32(r.Answered), Asked: int32(r.Asked), ConsiderVolume: r.ConsiderVolume, Provenance: markToProto(r.Mark),
	}
	for _, why := range r.Reasons {
		out.Reasons = append(out.Reasons, &vw.DifficultyReason{Criterion: why.Part, Answer: why.Answer, Level: levelsToProto[string(why.Level)], Text: why.Text, Provenance: markToProto(why.Mark)})
	}
	for _, g := range r.Unknown {
		out.UnknownCriteria = append(out.UnknownCriteria, g.Part)
		out.Gaps = append(out.Gaps, &vw.DifficultyGap{Criterion: g.Part, Ask: g.Ask, Alone: levelsToProto[string(g.Alone)]})
	}
	for _, l := range r.Summary {
		out.Summary = append(out.Summary, &vw.ForecastLine{Text: l.Text, Provenance: markToProto(l.Mark)})
	}
	return out
}
