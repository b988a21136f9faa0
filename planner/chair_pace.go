package planner

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"math"
	"slices"

	"github.com/visitwright/visitwright/planner/calibration"
	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/planner/protocol"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// paces remembers fits by the log that they were made from, so that the same
// log is weighed once.
type paces struct {
	fits remembered[*calibration.Posterior]
}

// fitOf weighs the log of one group; nil when it is empty. The same log gives
// the same answer, on every replica.
func (s *Service) fitOf(kept []store.Observation) (*calibration.Posterior, error) {
	if len(kept) == 0 {
		return nil, nil
	}
	sum := sha256.New()
	var log []calibration.Visit
	for age, o := range kept { // the newest first
		var v calibration.Visit
		if err := json.Unmarshal([]byte(o.Document), &v); err != nil {
			return nil, fmt.Errorf("observation: %w", err)
		}
		v.Age = age
		log = append(log, v)
		_, _ = fmt.Fprintf(sum, "%s/%d/%s\n", o.CaseID, o.Visit, o.Document)
	}
	return s.paces.fits.get(string(sum.Sum(nil)), func() (*calibration.Posterior, error) {
		prior, err := calibration.Shipped()
		if err != nil {
			return nil, err
		}
		return calibration.Fit(prior, log)
	})
}

// paceOf is what the practice's own visits say about a coming one: of the
// clinician when there is any visit of theirs, else of the practice. The visits
// of one case may be left out: they speak for its tooth itself.
func (s *Service) paceOf(ctx context.Context, caller Caller, protocolID, class, clinician, without string) (protocol.Pace, error) {
	if s.kept == nil || protocolID == "" || class == "" {
		return protocol.Pace{}, nil
	}
	kept, err := s.kept.ListObservations(ctx, caller.Reading(), protocolID, class)
	if err != nil {
		return protocol.Pace{}, s.fault(err, caller, nil)
	}
	kept = slices.DeleteFunc(kept, func(o store.Observation) bool { return o.CaseID == without })
	post, err := s.fitOf(kept)
	if err != nil || post == nil {
		return protocol.Pace{}, err
	}
	e, of := post.Practice().Estimate, "this practice"
	if clinician != "" {
		own := post.Clinician(clinician).Estimate
		if own.Visits > 0 {
			e, of = own, "this clinician"
		} else {
			// A newcomer: the practice's speed, known less well.
			own.Visits, own.BrokenOff = e.Visits, e.BrokenOff
			e = own
		}
	}
	return protocol.Pace{LogSpeed: e.LogSpeed, Spread: e.Spread(), Visits: e.Visits, Of: of}, nil
}

// paceFor is the pace for a plan that is about to be made.
func (s *Service) paceFor(ctx context.Context, caller Caller, r record, in proposal.Input) (protocol.Pace, error) {
	if !in.Tooth.Valid() {
		return protocol.Pace{}, nil
	}
	kind := in.Protocol
	if kind == "" {
		d, err := s.shipped.Diagnosis(in.Diagnosis)
		if err != nil {
			return protocol.Pace{}, nil //nolint:nilerr // the proposal says what is wrong with it
		}
		kind = s.shipped.Suggest(d)
	}
	who := caller.Clinician
	if who == "" {
		who = r.kept.Clinician
	}
	return s.paceOf(ctx, caller, kind, string(in.Tooth.Class()), who, "")
}

// paceToProto shows it; nil when the published figures hold as they are.
func paceToProto(p protocol.Pace) *vw.PaceUsed {
	if p.Visits == 0 && p.CaseVisits == 0 {
		return nil
	}
	out := &vw.PaceUsed{Speed: math.Exp(p.LogApplied()), Visits: int32(p.Visits), Of: p.Of, CaseVisits: int32(p.CaseVisits), CaseSpeed: 1}
	if p.CaseVisits > 0 {
		out.CaseSpeed = math.Exp(p.CaseLogSpeed)
	}
	out.Text = fmt.Sprintf("Minutes are %.2f times the published ones", out.Speed)
	if p.Visits > 0 {
		out.Text += fmt.Sprintf(" (from %s of %s)", visitsWords(p.Visits), p.Of)
	}
	if p.CaseVisits > 0 {
		out.Text += fmt.Sprintf("; this tooth itself took %.2f times as planned over %s", out.CaseSpeed, visitsWords(p.CaseVisits))
	}
	out.Text += "."
	return out
}

func visitsWords(n int) string {
	if n == 1 {
		return "1 visit"
	}
	return fmt.Sprintf("%d visits", n)
}

// appliedPace is the log factor that a kept plan's medians carry.
func appliedPace(p *vw.PaceUsed) float64 {
	if p.GetSpeed() <= 0 {
		return 0
	}
	return math.Log(p.GetSpeed())
}
