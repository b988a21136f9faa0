package scheduler

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"github.com/visitwright/visitwright/planner/chairside"
	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/tooth"
	"github.com/visitwright/visitwright/planner/window"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/followup"
	"github.com/visitwright/visitwright/store"
)

// undetermined stands for a diagnosis that nobody has made.
const undetermined = "undetermined"

// rootFilling is the calendar of a tooth for which nobody chose another.
const rootFilling = "root-filling"

// withVisits adds what the visits in the chair say to what was recorded, by
// day. A day that has a record of its own is taken from the record: it knows
// more than the chair does.
func (f *FollowUps) withVisits(c store.Care, recorded []followup.Event, zone *civil.Zone) ([]followup.Event, error) {
	out := slices.Clone(recorded)
	for i, v := range c.Visits {
		closing, end, err := closingOf(v)
		if err != nil {
			return nil, err
		}
		day := zone.Date(end)
		if slices.ContainsFunc(recorded, func(e followup.Event) bool {
			return e.On == day && (e.Kind == followup.Opened || e.Kind == followup.FilledUp)
		}) {
			continue
		}
		e := followup.Event{On: day}
		filled := i == len(c.Visits)-1 && (c.Case.State == store.CaseFilled || c.Case.State == store.CaseInReview)
		if filled {
			e.Kind, e.Filling = followup.FilledUp, fillingOf(c.Case)
			e.Filling.CorePlaced = closing.Temporary == ""
		} else {
			open, needed, err := f.openOf(c.Case, closing)
			if err != nil {
				return nil, err
			}
			if closing.Ends != "" {
				if !needed {
					latest, err := followup.DecideWithin()
					if err != nil {
						return nil, err
					}
					open = &followup.Open{LatestDays: latest}
				}
				open.Ended, needed = closing.Ends, true
			}
			if !needed {
				continue
			}
			e.Kind, e.Open = followup.Opened, open
		}
		out = append(out, e)
	}
	slices.SortStableFunc(out, func(a, b followup.Event) int { return a.On.DaysSince(b.On) })
	return out, nil
}

// closingOf is what was placed at the end of a visit, as the log has it now.
func closingOf(v store.ChairVisit) (out chairside.Closing, end time.Time, err error) {
	for _, m := range v.Marks {
		if m.Kind != store.MarkEnd && m.Kind != string(chairside.LogEntry) {
			continue
		}
		var mark chairside.Mark
		if err := json.Unmarshal(m.Document, &mark); err != nil {
			return out, end, fmt.Errorf("mark of visit %d: %w", v.Number, err)
		}
		if m.Kind == store.MarkEnd {
			end = m.At
		}
		switch {
		case mark.Closing != nil:
			out = *mark.Closing
		case mark.Log != nil && mark.Log.Closing != nil:
			placed := *mark.Log.Closing // what was placed is corrected, not how far the work came
			placed.Stop, placed.Ends = out.Stop, out.Ends
			out = placed
		}
	}
	return out, end, nil
}

// fillingOf is what the case's record says about restoring and reviewing.
func fillingOf(c store.Case) *followup.Filling {
	out := &followup.Filling{Needs: followup.Bonded, Calendar: rootFilling}
	if code := tooth.Code(c.Tooth); c.Tooth > 0 && (code.Class() == tooth.Molar || code.Class() == tooth.Premolar) {
		out.Needs = followup.Coverage
	}
	if c.Referral != nil {
		out.ByReferrer, out.ReviewsByReferrer = c.Referral.Restorer == referringDentist, c.Referral.Reviewer == referringDentist
	}
	return out
}

// referringDentist is how a referral says that whoever sent the patient acts.
const referringDentist = "referrer"

// openOf is the return window after a visit in the chair that left the tooth
// open. Visits that ended before the chair wrote down which stopping point it
// was are told by the dressing: a dressed canal system was cleaned, an undressed
// one was not.
func (f *FollowUps) openOf(c store.Case, closing chairside.Closing) (*followup.Open, bool, error) {
	if closing.Stop != "" {
		return f.windowOf(c, closing.Stop, closing.Medicament, closing.Temporary, closing.SealMM)
	}
	stop := "partly-treated-infected"
	if d, err := f.shipped.Diagnosis(c.Diagnosis); err == nil && d.Pulp == protocol.Vital {
		stop = "partly-treated-vital"
	} else if closing.Medicament != "" {
		stop = "shaped-and-dressed"
	}
	return f.windowOf(c, stop, closing.Medicament, closing.Temporary, closing.SealMM)
}

func (f *FollowUps) windowOf(c store.Case, stop, medicament, temporary string, sealMM float64) (*followup.Open, bool, error) {
	diagnosis := c.Diagnosis
	if _, err := f.shipped.Diagnosis(diagnosis); err != nil {
		diagnosis = undetermined
	}
	w, err := window.Compute(f.shipped, window.Input{Stop: stop, Diagnosis: diagnosis, Medicament: medicament, Temporary: temporary, SealMM: sealMM,
		OpenApex: c.RootDevelopment != "" && c.RootDevelopment != "mature"})
	if err != nil || !w.Needed {
		return nil, false, err
	}
	out := &followup.Open{EarliestDays: w.Earliest, TargetDays: w.Target, LatestDays: w.Latest, Stop: stop, Medicament: medicament, Temporary: temporary, SealMM: sealMM}
	if w.Opens != nil {
		out.OpensBecause = w.Opens.Reason
	}
	if w.Closes != nil {
		out.ClosesBecause = w.Closes.Reason
	}
	if w.Conflict != nil {
		out.Unclear = w.Conflict.Text
	}
	for _, p := range w.Past {
		out.PastLatest = append(out.PastLatest, followup.Change{AfterDays: p.AfterDay, Text: p.Text})
	}
	return out, true, nil
}
