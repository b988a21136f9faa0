package fortnight

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// tooth is one case while its story is played.
type tooth struct {
	story   toothStory
	writes  string
	ref     string // the patient's reference and the tooth, for errors and draws
	patient *vw.Patient
	of      *vw.Case
	plan    *vw.Plan // the newest, with its model
	option  string   // the accepted one
	visits  int      // in the chair so far
	booked  int32    // visits of the newest plan that have an appointment
}

// begin puts the scenes of one tooth into the queue.
func (p *player) begin(one patientStory, story toothStory) error {
	patient := &vw.Patient{}
	if err := into(one.Patient, patient); err != nil {
		return fmt.Errorf("patient: %w", err)
	}
	t := &tooth{story: story, writes: one.Writes, of: &vw.Case{}, patient: patient, ref: patient.GetReference()}
	if err := into(story.Case, t.of); err != nil {
		return fmt.Errorf("case of %s: %w", t.ref, err)
	}
	t.ref += " " + t.of.GetTooth().GetIso()
	for _, s := range story.Story {
		at, err := p.days.at(s.At)
		if err != nil {
			return fmt.Errorf("%s: %w", t.ref, err)
		}
		p.enqueue(at, t.ref+" "+s.Do, func() error { return p.play(t, s, nil) })
	}
	return nil
}

// other makes a patient who comes for other work alone.
func (p *player) other(one patientStory) error {
	m := &vw.Patient{}
	if err := into(one.Patient, m); err != nil {
		return fmt.Errorf("patient: %w", err)
	}
	made, err := p.reception.Planner.CreatePatient(p.ctx, &vw.CreatePatientRequest{Parent: p.practice, Patient: m})
	if err == nil {
		p.others = append(p.others, made.GetName())
	}
	return err
}

// play plays one scene. a is the appointment at which it happens, nil for none.
func (p *player) play(t *tooth, s scene, a *vw.Appointment) error {
	switch s.Do {
	case "open":
		return p.open(t, s)
	case "try":
		p.played.Try = t.of.GetName()
		return nil
	case "assess":
		return p.assess(t)
	case "propose":
		return p.propose(t)
	case "accept":
		return p.accept(t, s)
	case "suggest": // assessed and proposed, for the patient to think over
		if err := p.assess(t); err != nil {
			return err
		}
		return p.propose(t)
	case "plan": // assessed, proposed and accepted in one consultation
		if err := p.assess(t); err != nil {
			return err
		}
		if err := p.propose(t); err != nil {
			return err
		}
		return p.accept(t, s)
	case "book":
		return p.book(t, s)
	case "offer":
		return p.offer(t, s)
	case "emergency":
		return p.emergency(t, s)
	case "visit":
		return p.visit(t, s, a)
	case "stop":
		return p.visit(t, s, a)
	}
	return p.after(t, s)
}

// open makes the patient, when they are new, and the case.
func (p *player) open(t *tooth, s scene) error {
	known := p.patients[t.patient.GetReference()]
	if known == nil {
		made, err := p.reception.Planner.CreatePatient(p.ctx, &vw.CreatePatientRequest{Parent: p.practice, Patient: t.patient})
		if err != nil {
			return err
		}
		known = made
		p.patients[made.GetReference()] = made
		if t.writes != "" {
			if _, err := p.reception.FollowUp.SetContactWishes(p.ctx, &vw.SetContactWishesRequest{Wishes: &vw.ContactWishes{
				Patient: made.GetName(), Channel: t.writes, ConsentDate: toDate(p.clock.Now().In(p.days.zone))}}); err != nil {
				return err
			}
		}
	}
	t.patient = known
	t.of.Patient, t.of.Clinician = known.GetName(), p.names[t.story.With]
	if t.story.Begun != "" {
		at, err := p.days.at(t.story.Begun)
		if err != nil {
			return err
		}
		if t.of.GetTreatmentBegun() == nil {
			t.of.TreatmentBegun = &vw.TreatmentBegun{Dressing: "unknown", Temporary: "unknown", Stop: "unknown"}
		}
		t.of.TreatmentBegun.VisitDate = toDate(at)
	}
	if t.of.GetReferral() != nil && t.of.GetReferral().GetReceiveDate() == nil {
		t.of.Referral.ReceiveDate = toDate(p.clock.Now().In(p.days.zone))
	}
	made, err := p.reception.Planner.CreateCase(p.ctx, &vw.CreateCaseRequest{Parent: p.practice, Case: t.of})
	t.of = made
	return err
}

func (p *player) assess(t *tooth) error {
	_, err := p.clinician.Planner.Assess(p.ctx, &vw.AssessRequest{Parent: t.of.GetName(), Findings: t.story.Findings.message(p.usual)})
	return err
}

func (p *player) propose(t *tooth) (err error) {
	t.plan, err = p.clinician.Planner.ProposePlan(p.ctx, &vw.ProposePlanRequest{Parent: t.of.GetName(), View: vw.PlanView_PLAN_VIEW_FULL})
	if err == nil {
		t.option = t.plan.GetRecommendedOption()
	}
	return err
}

func (p *player) accept(t *tooth, s scene) error {
	if s.Option != "" {
		t.option = s.Option
	}
	r := &vw.AcceptOptionRequest{Name: t.plan.GetName(), Option: t.option, Etag: t.plan.GetEtag()}
	if s.Consent != "" {
		r.Consent = &vw.Consent{Giver: vw.Consent_GIVER_PATIENT, Form: s.Consent, AgreeTime: timestamppb.New(p.clock.Now())}
		if t.patient.GetGuardian() != nil {
			r.Consent.Giver = vw.Consent_GIVER_GUARDIAN
		}
	}
	_, err := p.clinician.Planner.AcceptOption(p.ctx, r)
	return err
}

// replanned takes over the plan that a visit has left.
func (p *player) replanned(t *tooth, answer *vw.ReplanVisitResponse) error {
	if answer.GetPlan().GetName() == "" {
		return nil
	}
	plan, err := p.clinician.Planner.GetPlan(p.ctx, &vw.GetPlanRequest{Name: answer.GetPlan().GetName(), View: vw.PlanView_PLAN_VIEW_FULL})
	if err != nil {
		return err
	}
	t.plan, t.option, t.booked = plan, plan.GetRecommendedOption(), 0
	return nil
}

// planned is the visit of the accepted option that comes next; nil when none is
// planned.
func (t *tooth) planned(number int32) *vw.PlannedVisit {
	for _, o := range t.plan.GetOptions() {
		if o.GetId() != t.option {
			continue
		}
		for _, v := range o.GetVisits() {
			if v.GetNumber() == number {
				return v
			}
		}
	}
	return nil
}

// model is what was solved for the accepted option.
func (t *tooth) model() *vw.TreatmentModel {
	for _, o := range t.plan.GetWorkings().GetOptions() {
		if o.GetOption() == t.option && o.GetModel() != nil {
			return o.GetModel()
		}
	}
	return t.plan.GetWorkings().GetModel()
}

func minutes(n float64) time.Duration {
	return time.Duration(n * float64(time.Minute)).Round(time.Second)
}
