package window

import (
	"fmt"

	"github.com/visitwright/visitwright/planner/protocol"
)

func (w *Window) add(side Side, from From, f protocol.Figure, reason, passing string) {
	w.Bounds = append(w.Bounds, Bound{Side: side, From: from, Days: int(f.Value), Reason: reason, Passing: passing, Mark: f.Mark})
}

// dressing adds the medicament's days. The minimum serves filling an infected
// canal, so it does not hold back a visit that goes on cleaning.
func (w *Window) dressing(c *protocol.Catalogue, in Input, stop protocol.StopState, d protocol.Diagnosis) error {
	if stop.Use == "" {
		return nil
	}
	m, err := c.Medicament(in.Medicament)
	if err != nil {
		return err
	}
	use := useOf(m, in, stop, d)
	if use == "" {
		return &protocol.InputError{Field: "medicament", Problem: fmt.Sprintf("%s is not meant for this tooth (%s, %s)", m.Name, d.Name, stop.Name), Want: "a dressing for it, or unknown"}
	}
	path := "materials.medicaments." + m.ID + ".uses." + use + "."
	least, _ := c.Figure(path + "least")
	target, _ := c.Figure(path + "target")
	most, _ := c.Figure(path + "most")
	if !stop.CleaningUnfinished && least.Value > 0 {
		reason, early := fmt.Sprintf("%s needs %s to act", m.Name, days(int(least.Value))), "filled sooner, the dressing has not done its work in an infected canal"
		if d.Pulp == protocol.Vital {
			reason, early = "a vital tooth may be finished from the next day", "nothing is lost: a vital canal holds no infection that the dressing must reach"
		}
		w.add(Earliest, FromDressing, least, reason, early)
	}
	w.add(Target, FromDressing, target, "usual time under "+m.Name, "")
	w.add(Latest, FromDressing, most, fmt.Sprintf("%s is renewed after %s", m.Name, days(int(most.Value))), "the dressing no longer protects: it is renewed, and the tooth is not filled on that day unless dry and free of symptoms")
	return nil
}

// useOf chooses the row of a medicament's days: the stop's own use, then the
// open apex, then the pulp; unknown materials have one row per pulp.
func useOf(m protocol.Medicament, in Input, stop protocol.StopState, d protocol.Diagnosis) string {
	wanted := []string{}
	if in.OpenApex && d.Pulp == protocol.Infected {
		wanted = append(wanted, "immature")
	}
	switch stop.Use {
	case protocol.Vital, protocol.Infected:
		wanted = append(wanted, d.Pulp)
	default:
		wanted = append([]string{stop.Use}, append(wanted, d.Pulp)...)
	}
	for _, u := range wanted {
		if _, ok := m.Uses[u]; ok {
			return u
		}
	}
	return ""
}

// temporary adds the life of the seal. A seal thinner than it must be does not
// last its usual time.
func (w *Window) temporary(c *protocol.Catalogue, in Input) {
	t, err := c.Temporary(in.Temporary)
	if err != nil {
		return
	}
	path := "materials.temporaries." + t.ID + "."
	most, _ := c.Figure(path + "most_days")
	least, _ := c.Figure(path + "least_mm")
	reason := fmt.Sprintf("%s seals for about %s", t.Name, days(int(most.Value)))
	if in.SealMM > 0 && in.SealMM < least.Value {
		most.Value /= 2
		reason = fmt.Sprintf("%s of %.1f mm is thinner than %.1f mm: half its usual %s", t.Name, in.SealMM, least.Value, days(int(most.Value*2)))
	}
	w.add(Latest, FromTemporary, most, reason, "the seal leaks: the tooth counts as contaminated again once it is worn or lost")
}

func (w *Window) protocol(c *protocol.Catalogue, stop protocol.StopState) {
	path := "materials.spacing.protocol." + stop.ID + "."
	least, ok := c.Figure(path + "least")
	if !ok {
		return
	}
	target, _ := c.Figure(path + "target")
	most, _ := c.Figure(path + "most")
	if least.Value > 0 {
		w.add(Earliest, FromProtocol, least, stop.Name+": from the next day", "")
	}
	w.add(Target, FromProtocol, target, stop.Name+": usually after "+days(int(target.Value)), "")
	w.add(Latest, FromProtocol, most, fmt.Sprintf("%s: not longer than %s", stop.Name, days(int(most.Value))), "the tooth has stood in this state longer than it should: it is looked at before the plan goes on")
}

// medical adds what the patient's health asks for. Ten days count from the end
// of an antibiotic course that the patient is already taking, and only when the
// patient needs cover: they are no general spacing of visits.
func (w *Window) medical(c *protocol.Catalogue, in Input) {
	if in.Prophylaxis && in.CourseEndsIn != nil {
		f, _ := c.Figure("materials.spacing.course_days")
		rest := int(f.Value)
		f.Value += float64(*in.CourseEndsIn)
		w.add(Earliest, FromMedical, f, fmt.Sprintf("%s after the end of the antibiotic course already taken, before cover is given again", days(rest)), "if the visit cannot wait, another class of antibiotic: the prescriber decides")
	}
	for _, s := range in.Spacing {
		f, _ := c.Figure("materials.spacing.course_days")
		f.Mark.Kind, f.Mark.Source = "local", "set for this patient by a clinician"
		if s.LeastDays > 0 {
			f.Value = float64(s.LeastDays)
			w.add(Earliest, FromMedical, f, s.Reason, "a clinician set this limit")
		}
		if s.MostDays > 0 {
			f.Value = float64(s.MostDays)
			w.add(Latest, FromMedical, f, s.Reason, "a clinician set this limit")
		}
	}
}

// elapsed moves the tooth's own bounds to today for a tooth dressed elsewhere.
// Without a date the cautious reading holds: the clock has all but run out.
func (w *Window) elapsed(c *protocol.Catalogue, in Input) {
	if in.Begun == nil {
		return
	}
	if in.Begun.DaysAgo == 0 {
		return
	}
	if in.Begun.DaysAgo > 0 {
		for i := range w.Bounds {
			if b := &w.Bounds[i]; b.From != FromMedical {
				b.Days -= in.Begun.DaysAgo
				b.Reason += fmt.Sprintf("; %s have passed already", days(in.Begun.DaysAgo))
			}
		}
		return
	}
	kept := w.Bounds[:0]
	for _, b := range w.Bounds {
		if b.From == FromMedical {
			kept = append(kept, b)
		}
	}
	w.Bounds = kept
	grace, _ := c.Figure("materials.spacing.rebook_grace_days")
	w.add(Latest, FromIntake, grace, "dressed elsewhere on a day that is not known: its clock may have run out", "treated as contaminated: cleaned and dressed again")
	grace.Value = 1
	w.add(Target, FromIntake, grace, "as soon as there is a place", "")
}

// past lists what changes when the patient comes late, counted as the window
// counts.
func (w *Window) past(c *protocol.Catalogue, in Input, stop protocol.StopState) {
	w.Past = []Action{}
	ran := 0
	if in.Begun != nil && in.Begun.DaysAgo > 0 {
		ran = in.Begun.DaysAgo
	}
	latest := w.Latest
	if w.Closes != nil && w.Closes.Days < latest {
		latest = w.Closes.Days
	}
	limit, _ := c.Figure("materials.temporaries." + in.Temporary + ".limit_days")
	grace, _ := c.Figure("materials.spacing.rebook_grace_days")
	reclean, _ := c.Figure("materials.spacing.reclean_days")
	lost := int(min(limit.Value, reclean.Value)) - ran
	dressing := latest
	for _, b := range w.Bounds {
		if b.Side == Latest && b.From == FromDressing {
			dressing = b.Days
		}
	}
	// Past the target window but inside the material's own limit there is a
	// week's grace.
	if until := min(dressing, latest+int(grace.Value)); until > latest {
		w.Past = append(w.Past, Action{AfterDay: latest, ID: "rebook", Mark: grace.Mark,
			Text: "Within the dressing's own limit: call, book the next place, check the seal first."})
		latest = until
	}
	if lost <= latest {
		lost = latest + int(grace.Value)
	}
	if stop.Use == "" { // a seal over a tooth without a dressing
		w.Past = append(w.Past, Action{AfterDay: latest, ID: "check-seal", Mark: grace.Mark,
			Text: "Check the seal and the signs first; renew the temporary when it has given way."},
			Action{AfterDay: lost, ID: "judge-again", Longer: true, Mark: reclean.Mark,
				Text: "Seal counts as lost: what lies below it is contaminated and is judged again before the plan goes on, with a new estimate of the minutes."})
		return
	}
	w.Past = append(w.Past, Action{AfterDay: latest, ID: "re-dress", Longer: true, Mark: grace.Mark,
		Text: "Clean and dress again in a visit of its own; fill on that day only when the canal is dry and there are no symptoms. One more visit is likely."},
		Action{AfterDay: lost, ID: "clean-again", Longer: true, Mark: reclean.Mark,
			Text: "Seal counts as lost: the canals are contaminated again. Full cleaning, new dressing, an extra visit, and a new estimate of the minutes."})
}
