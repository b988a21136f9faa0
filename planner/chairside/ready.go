package chairside

import "slices"

// Ready is the ready-to-fill check as it stands. It alone says whether the
// tooth may be filled; odds of minutes never do.
type Ready struct {
	// MayFill is true only with every question answered yes and nothing that
	// forbids it.
	MayFill    bool
	Unanswered []string // questions, in the order in which they are asked
	Against    []string // what forbids it or advises against it, with the reason
	Forbidden  bool
}

// question of the ready-to-fill check.
type question struct {
	id  string // as in Answers' JSON
	ask string
	get func(*Answers) *Answer
	no  string
}

var questions = []question{
	{"dry", "dry", func(a *Answers) *Answer { return &a.Dry }, "a canal does not dry"},
	{"quiet", "no pain or swelling", func(a *Answers) *Answer { return &a.Quiet }, "there is pain or swelling"},
	{"to_length", "every canal to length or decided", func(a *Answers) *Answer { return &a.ToLength }, "a canal is short of its length and not decided"},
	{"irrigation", "irrigation done", func(a *Answers) *Answer { return &a.Irrigation }, "irrigation is not finished"},
	{"numb", "numb", func(a *Answers) *Answer { return &a.Numb }, "the tooth is not numb"},
	{"covered", "consent covers it", func(a *Answers) *Answer { return &a.Covered }, "consent does not cover it"},
}

// Ready reads the check from the visit's answers, canals and events.
func (v Visit) Ready() (Ready, error) {
	var r Ready
	for _, q := range questions {
		switch *q.get(&v.Answers) {
		case Yes:
		case No:
			r.Forbidden = true
			r.Against = append(r.Against, "forbids: "+q.no)
		default:
			r.Unanswered = append(r.Unanswered, q.ask)
		}
	}
	for _, m := range v.Events {
		e, err := FindEvent(m.Event)
		if err != nil {
			return r, err
		}
		if e.Rule.Says == Forbids || e.BarsFilling {
			r.Forbidden = true
		}
		if c, ok := v.Canal(m.Canal); ok && e.CanalEffect == EffectDecide && c.Open == "" {
			continue // decided, or given up
		}
		if e.Rule.Says == Forbids || e.Rule.Says == AdvisesAgainst {
			r.Against = append(r.Against, string(e.Rule.Says)+": "+e.Rule.Why)
		}
	}
	for _, c := range v.Canals {
		if c.Open != "" {
			r.Against = append(r.Against, "advises against: "+c.Name+" is not decided ("+c.Open+")")
		}
	}
	for _, what := range v.ConsentFor {
		r.Against = append(r.Against, "advises against: consent is asked again ("+what+")")
	}
	r.MayFill = len(r.Unanswered) == 0 && !r.Forbidden && len(v.ConsentFor) == 0
	for _, c := range v.Canals {
		r.MayFill = r.MayFill && c.Open == ""
	}
	return r, nil
}

// reopened takes back the yes to these questions; a no stays.
func (a Answers) reopened(ids []string) Answers {
	for _, q := range questions {
		if at := q.get(&a); slices.Contains(ids, q.id) && *at == Yes {
			*at = ""
		}
	}
	return a
}
