package chairside

import (
	"fmt"
	"slices"

	"github.com/visitwright/visitwright/planner/tooth"
	"github.com/visitwright/visitwright/planner/visits"
)

// Read folds the marks of a visit, in the order in which they were entered,
// into its state. The error is an *InputError and names the field of the first
// mark that does not fit; marks read before are not affected by it.
func Read(p Plan, marks []Mark) (Visit, error) {
	v := Visit{Phase: NotBegun, State: p.Begin, marks: map[string]Mark{}}
	code, err := p.code()
	if err != nil {
		return v, err
	}
	effective, err := corrected(marks)
	if err != nil {
		return v, err
	}
	r := reader{Visit: v, plan: p, code: code, lengths: map[string]float64{}, done: map[work]bool{}}
	r.Canals = slices.Clone(p.Canals)
	if len(r.Canals) == 0 {
		for _, name := range p.Model.Canals.Names[:p.Model.Canals.Expected] {
			r.Canals = append(r.Canals, Canal{Name: name, State: Expected})
		}
	}
	for _, c := range r.Canals {
		if c.LengthMM > 0 {
			r.lengths[c.Name] = c.LengthMM
		}
	}
	for _, m := range effective {
		if err := r.read(m); err != nil {
			return r.Visit, err
		}
	}
	r.Visit.SinceStop = r.loose
	return r.Visit, nil
}

func (p Plan) code() (tooth.Code, error) {
	if p.Tooth == "" {
		return 0, nil
	}
	return tooth.Parse(p.Tooth, tooth.ISO)
}

// corrected applies corrections and take-backs: what is left is what happened.
func corrected(marks []Mark) ([]Mark, error) {
	var out []Mark
	ended := false
	for _, m := range marks {
		switch m.Kind {
		case TakeBack, Correct:
			i := slices.IndexFunc(out, func(o Mark) bool { return o.ID == m.Of })
			if i < 0 {
				return nil, &InputError{"of", "no mark of this visit has that id, or it was taken back", "the id of a mark that stands"}
			}
			if m.Kind == Correct {
				out[i].At = m.At
				continue
			}
			if ended {
				return nil, &InputError{"kind", "the visit has ended", "a correction in the visit log; marks are taken back until the visit ends"}
			}
			if out[i].Kind == Begin && len(out) > 1 {
				return nil, &InputError{"of", "the beginning cannot be taken back while later marks stand", "the later marks taken back first"}
			}
			out = slices.Delete(out, i, i+1)
		default:
			if m.Late && ended {
				return nil, &InputError{"late", "the visit has ended", "an entry of the visit log"}
			}
			ended = ended || m.Kind == End
			at := len(out)
			for m.Late && at > 1 && out[at-1].At.After(m.At) { // nothing comes before the beginning
				at--
			}
			out = slices.Insert(out, at, m)
		}
	}
	// A corrected time must still fit between its neighbours.
	for i := 1; i < len(out); i++ {
		if out[i].At.Before(out[i-1].At) {
			return nil, &InputError{"at", fmt.Sprintf("%s lies before the mark that came first, at %s", out[i].At.UTC().Format("15:04:05"), out[i-1].At.UTC().Format("15:04:05")), "times that do not run backwards; the time of an earlier mark is changed by a correction"}
		}
	}
	return out, nil
}

// work identifies a step done on the tooth (empty canal) or on a canal.
type work struct{ step, canal string }

type reader struct {
	Visit
	plan    Plan
	code    tooth.Code
	lengths map[string]float64
	done    map[work]bool
	loose   []string
}

func (r *reader) read(m Mark) error {
	switch {
	case m.Kind == Begin && r.Phase != NotBegun:
		return &InputError{"kind", "the visit has begun already", "any other mark"}
	case m.Kind != Begin && r.Phase == NotBegun:
		return &InputError{"kind", "the visit has not begun", "the identity and the alerts confirmed first (begin)"}
	case r.Phase == Ended && m.Kind != LogEntry:
		return &InputError{"kind", "the visit has ended", "a correction in the visit log"}
	case m.Kind == LogEntry && r.Phase != Ended:
		return &InputError{"kind", "the visit has not ended", "the marks of the running visit; the log is changed after the end"}
	case r.Phase == Paused && (m.Kind == StepBegun || m.Kind == StepDone || m.Kind == StageDone || m.Kind == Pause):
		return &InputError{"kind", "the visit is paused", "resume first"}
	}
	var err error
	switch m.Kind {
	case Begin:
		err = r.begin(m)
	case StepBegun:
		err = r.stepBegun(m)
	case StepDone:
		err = r.stepDone(m)
	case StageDone:
		err = r.stageDone(m)
	case Pause:
		r.Phase, r.paused = Paused, m.At
	case Resume:
		if r.Phase != Paused {
			return &InputError{"kind", "the visit is not paused", "another mark"}
		}
		r.Phase = Running
		r.Visit.Paused += m.At.Sub(r.paused).Minutes()
	case Happened:
		err = r.happened(m)
	case CanalNote:
		err = r.note(m)
	case Check:
		if m.Answers == nil {
			return &InputError{"answers", "missing", "the questions that were answered"}
		}
		r.Answers = merge(r.Answers, *m.Answers)
	case Injection:
		if m.Given == nil || !(m.Given.Cartridges > 0) || m.Given.Cartridges > 20 {
			return &InputError{"given.cartridges", "missing or out of range", "above 0, at most 20"}
		}
		r.Given = append(r.Given, *m.Given)
	case Radiograph:
		if m.Reason == "" {
			return &InputError{"reason", "a radiograph without justification", "why it was needed"}
		}
		r.Images = append(r.Images, m)
	case Consent:
		if m.Reason == "" {
			return &InputError{"reason", "missing", "what the patient agreed to"}
		}
		r.ConsentFor = nil
	case End:
		err = r.end(m)
	case LogEntry:
		err = r.logged(m)
	default:
		return &InputError{"kind", fmt.Sprintf("%q is no mark", m.Kind), "one of the kinds of mark"}
	}
	if err != nil {
		return err
	}
	r.Last = m.At
	r.marks[m.ID] = m
	return nil
}

func (r *reader) begin(m Mark) error {
	if !m.Identity {
		return &InputError{"identity", "not confirmed", "a second identifier compared, and the tooth named in words"}
	}
	if !m.Alerts {
		return &InputError{"alerts", "not confirmed", "the alerts read out and confirmed"}
	}
	r.Phase, r.Began = Running, m.At
	return nil
}

func (r *reader) note(m Mark) error {
	if m.Note == nil {
		return &InputError{"note", "missing", "what was found"}
	}
	i, err := r.canal(m.Canal)
	if err != nil {
		return err
	}
	c := r.Canals[i]
	warnings, err := c.apply(*m.Note, r.code, r.lengths)
	if err != nil {
		return err
	}
	r.Canals[i] = c
	r.warn(warnings...)
	r.advance(m)
	return nil
}

func (r *reader) happened(m Mark) error {
	e, err := FindEvent(m.Event)
	if err != nil {
		return err
	}
	if e.NeedsThird && m.Third != Coronal && m.Third != Middle && m.Third != Apical {
		return &InputError{"third", "missing", "coronal, middle or apical"}
	}
	if e.CanalEffect == EffectLocated {
		if err := r.furtherCanal(m.Canal); err != nil {
			return err
		}
	} else if e.NeedsCanal {
		i, err := r.canal(m.Canal)
		if err != nil {
			return err
		}
		c := &r.Canals[i]
		switch e.CanalEffect {
		case EffectJoins:
			if _, err := r.canal(m.Partner); err != nil || m.Partner == m.Canal {
				return &InputError{"partner", "missing or the same canal", "the name of the canal it joins"}
			}
			c.Joins, c.Third = m.Partner, m.Third
		case EffectDecide:
			c.Open = fmt.Sprintf("%s, %s third", e.Name, m.Third)
		}
	}
	r.Answers = r.Answers.reopened(e.Reopens)
	r.Events = append(r.Events, m)
	r.loose = append(r.loose, e.ID)
	r.Barred = r.Barred || e.BarsFilling
	if e.ForcesStop {
		r.MustStop = e.Name
	}
	if e.EndsTreatment {
		r.EndsCase = e.Name
	}
	if e.Consent != "" {
		r.ConsentFor = append(r.ConsentFor, e.Consent)
	}
	return nil
}

// furtherCanal takes a new canal in hand. A canal that was expected and is
// named again was found, which is no further canal but does no harm.
func (r *reader) furtherCanal(name string) error {
	if name == "" {
		return &InputError{"canal", "missing", "the name of the canal that was found, for example DL"}
	}
	if len(r.Canals) >= visits.MaxCanals {
		return &InputError{"canal", "more canals than any tooth has", fmt.Sprintf("at most %d", visits.MaxCanals)}
	}
	if i := slices.IndexFunc(r.Canals, func(c Canal) bool { return c.Name == name }); i >= 0 {
		if r.Canals[i].State != Expected {
			return &InputError{"canal", name + " is in hand already", "the name of another canal"}
		}
		r.Canals[i].State = Located
	} else {
		r.Canals = append(r.Canals, Canal{Name: name, State: Located})
	}
	r.State.Found = r.Found()
	return nil
}

func (r *reader) end(m Mark) error {
	if m.Closing == nil {
		return &InputError{"closing", "missing", "what was dressed and sealed, or that nothing was opened"}
	}
	if r.Phase == Paused {
		r.Visit.Paused += m.At.Sub(r.paused).Minutes()
	}
	r.Phase, r.Ended, r.Closing = Ended, m.At, m.Closing
	if r.EndsCase == "" {
		r.EndsCase = m.Closing.Ends // whatever it was, the clinician stopped the treatment for it
	}
	return nil
}

// logged takes an entry of the visit log over. What was marked stays in the
// marks; the state of the visit shows what the log says.
func (r *reader) logged(m Mark) error {
	l := m.Log
	switch {
	case l == nil || (l.Minutes == 0 && len(l.Steps)+len(l.Given)+len(l.Images) == 0 && l.Closing == nil):
		return &InputError{"log", "empty", "minutes, steps, what was placed, given or imaged"}
	case l.Reason == "":
		return &InputError{"log.reason", "missing", "why the log is changed"}
	case l.Minutes < 0 || l.Minutes > longestVisit:
		return &InputError{"log.chair_minutes", fmt.Sprintf("%g minutes", l.Minutes), "above 0, at most 960 minutes"}
	}
	for i, s := range l.Steps {
		at := fmt.Sprintf("log.steps[%d]", i)
		if !(s.Minutes > 0 && s.Minutes <= longestVisit) {
			return &InputError{at + ".minutes", fmt.Sprintf("%g minutes", s.Minutes), "above 0, at most 960 minutes"}
		}
		j := slices.IndexFunc(r.Work, func(w Work) bool { return w.Step == s.Step && w.Canal == s.Canal })
		if j < 0 {
			return &InputError{at, "no such step was done in this visit", "a step of the visit's marks, with its canal"}
		}
		r.Work[j].Minutes, r.Work[j].Caught = s.Minutes, false
	}
	if l.Closing != nil {
		placed := *l.Closing
		if r.Closing != nil {
			placed.Stop, placed.Ends = r.Closing.Stop, r.Closing.Ends
		}
		r.Closing = &placed
	}
	r.Given = append(r.Given, l.Given...)
	for _, why := range l.Images {
		if why == "" {
			return &InputError{"log.radiographs", "a radiograph without justification", "why it was needed"}
		}
		r.Images = append(r.Images, Mark{ID: m.ID, At: m.At, Kind: Radiograph, Reason: why})
	}
	r.Logged = append(r.Logged, *l)
	return nil
}

// longestVisit in minutes: no one is treated longer on one day.
const longestVisit = 960

func (r *reader) canal(name string) (int, error) {
	i := slices.IndexFunc(r.Canals, func(c Canal) bool { return c.Name == name })
	if i < 0 {
		var names []string
		for _, c := range r.Canals {
			names = append(names, c.Name)
		}
		return 0, &InputError{"canal", fmt.Sprintf("%q is not a canal of this visit", name), fmt.Sprintf("one of %v, or the event further-canal first", names)}
	}
	return i, nil
}

func (r *reader) warn(lines ...string) { r.Warnings = append(r.Warnings, lines...) }

func merge(old, now Answers) Answers {
	pick := func(a, b Answer) Answer {
		if b != "" {
			return b
		}
		return a
	}
	return Answers{
		Dry: pick(old.Dry, now.Dry), Quiet: pick(old.Quiet, now.Quiet), ToLength: pick(old.ToLength, now.ToLength),
		Irrigation: pick(old.Irrigation, now.Irrigation), Numb: pick(old.Numb, now.Numb), Covered: pick(old.Covered, now.Covered),
	}
}
