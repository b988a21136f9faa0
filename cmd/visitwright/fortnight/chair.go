package fortnight

import (
	"fmt"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// visit plays a visit in the chair, from identity and alerts to what was placed.
// One that would end after the demo's now is left running, with what was done
// until then.
func (p *player) visit(t *tooth, s scene, a *vw.Appointment) error {
	r := &vw.BeginVisitRequest{Parent: t.of.GetName(), Appointment: a.GetName(), IdentityConfirmed: true, AlertsConfirmed: true}
	if len(a.GetParts()) == 1 && a.GetParts()[0].GetPlan() == t.plan.GetName() {
		r.Part = a.GetParts()[0]
	}
	begun, err := p.nurse.Chair.BeginVisit(p.ctx, r)
	if err != nil {
		return fmt.Errorf("begin: %w", err)
	}
	t.visits++
	course := p.course(t, s, begun)
	end := begun.GetBeginTime().AsTime().Add(minutes(course.minutes))
	if end.After(p.now) {
		p.played.Running = begun.GetName()
		p.enqueue(p.now, t.ref+" in the chair", func() error { return p.mark(begun, course.until(p.now)) })
		return nil
	}
	p.enqueue(end, t.ref+" is done", func() error {
		if err := p.mark(begun, course.marks); err != nil {
			return err
		}
		if err := p.end(t, s, begun); err != nil {
			return err
		}
		if a == nil {
			return nil
		}
		return p.attend(a.GetName(), vw.Appointment_STATE_LEFT)
	})
	return nil
}

func (p *player) mark(v *vw.ChairVisit, marks []*vw.ChairMark) error {
	if len(marks) == 0 {
		return nil
	}
	_, err := p.nurse.Chair.AddMarks(p.ctx, &vw.AddMarksRequest{Name: v.GetName(), Marks: marks})
	if err != nil {
		return fmt.Errorf("marks: %w", err)
	}
	return nil
}

// end ends a visit with what was placed, and plans what is left.
func (p *player) end(t *tooth, s scene, v *vw.ChairVisit) error {
	closing := &vw.VisitClosing{Medicament: s.Medicament, Temporary: s.Temporary, SealMm: s.Seal, ForcedBecause: s.Forced}
	if s.Do == "stop" {
		_, err := p.clinician.Chair.StopTreatment(p.ctx, &vw.StopTreatmentRequest{Name: v.GetName(), Event: s.What, Closing: closing, ClosingReason: s.Reason, Note: s.Note})
		return err
	}
	if _, err := p.clinician.Chair.EndVisit(p.ctx, &vw.EndVisitRequest{Name: v.GetName(), Closing: closing}); err != nil {
		return fmt.Errorf("end: %w", err)
	}
	if !s.Replan {
		return nil
	}
	answer, err := p.clinician.Chair.ReplanVisit(p.ctx, &vw.ReplanVisitRequest{Name: v.GetName()})
	if err != nil {
		return fmt.Errorf("plan anew: %w", err)
	}
	return p.replanned(t, answer)
}
