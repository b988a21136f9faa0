package fortnight

import (
	"fmt"

	"google.golang.org/protobuf/proto"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// after plays what happens to a tooth after and between its visits.
func (p *player) after(t *tooth, s scene) (err error) {
	name := t.of.GetName()
	switch s.Do {
	case "filled": // how the visit of this day left the tooth, where the chair does not know it all
		left := &vw.LeftFilled{CorePlaced: true, NeedsCoverage: s.Coverage, Calendar: s.Calendar, IndexBefore: s.Index}
		if s.Injury != "" {
			at, err := p.days.at(s.Injury)
			if err != nil {
				return err
			}
			left.InjuryDate = toDate(at)
		}
		_, err = p.clinician.FollowUp.RecordCare(p.ctx, &vw.RecordCareRequest{Case: name, Left: &vw.RecordCareRequest_Filled{Filled: left}})
	case "restored":
		_, err = p.reception.FollowUp.RecordRestoration(p.ctx, &vw.RecordRestorationRequest{Case: name})
	case "review":
		r := &vw.RecordReviewRequest{Case: name, Symptoms: s.Symptoms, TenderToPercussion: s.Symptoms}
		if s.Index > 0 {
			r.IndexNow, r.RadiographReason = proto.Int32(s.Index), s.Reason
		}
		_, err = p.clinician.FollowUp.RecordReview(p.ctx, r)
	case "call":
		err = p.call(t, s)
	case "close":
		_, err = p.clinician.Planner.StopCase(p.ctx, &vw.StopCaseRequest{Name: name, ClosingReason: s.Reason, Note: s.Note})
	case "put-off":
		err = p.putOff(t, s)
	case "short-notice":
		_, err = p.reception.Diary.CreateShortNoticeEntry(p.ctx, &vw.CreateShortNoticeEntryRequest{Parent: p.practice, Entry: &vw.ShortNoticeEntry{
			Patient: t.patient.GetName(), NoticeMinutes: s.Minutes, Parts: []*vw.VisitPart{{Plan: t.plan.GetName(), Option: t.option, Visit: 1}}}})
	default:
		err = fmt.Errorf("nobody knows how to play %q", s.Do)
	}
	return err
}

// call is a call between two visits, without a red flag.
func (p *player) call(t *tooth, s scene) error {
	asked, err := p.reception.Diary.ListRedFlagQuestions(p.ctx, &vw.ListRedFlagQuestionsRequest{Parent: p.practice})
	if err != nil {
		return err
	}
	r := &vw.ReportCallRequest{Case: t.of.GetName(), Complaint: s.Reason}
	for _, q := range asked.GetQuestions() {
		r.Answers = append(r.Answers, &vw.RedFlagAnswer{Question: q.GetId()})
	}
	_, err = p.reception.FollowUp.ReportCall(p.ctx, r)
	return err
}

// putOff has the first follow-up of the case asked for later.
func (p *player) putOff(t *tooth, s scene) error {
	until, err := p.days.at(s.For)
	if err != nil {
		return err
	}
	list, err := p.reception.FollowUp.ListFollowUps(p.ctx, &vw.ListFollowUpsRequest{Parent: p.practice, Case: t.of.GetName()})
	if err != nil {
		return err
	}
	if len(list.GetFollowUps()) == 0 {
		return fmt.Errorf("%s has nothing to put off", t.ref)
	}
	_, err = p.reception.FollowUp.PutOffFollowUp(p.ctx, &vw.PutOffFollowUpRequest{Case: t.of.GetName(), Key: list.GetFollowUps()[0].GetKey(),
		UntilDate: toDate(until), Reason: s.Reason})
	return err
}
