package scheduler

import (
	"context"
	"fmt"
	"slices"

	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/diary"
	"github.com/visitwright/visitwright/store"
)

// emergencyProtocol is what a patient in need is booked for.
const emergencyProtocol = "emergency-relief"

const mostEmergencyPlaces = 20

// noInstruction is shown where a practice has not written its own yet.
const noInstruction = "This practice has not written its urgent-care instruction yet. A raised flag is an emergency: " +
	"call a clinician to the telephone now, or send the patient to emergency care."

// ListRedFlagQuestions lists the questions that come before any emergency
// appointment.
func (s *Diary) ListRedFlagQuestions(ctx context.Context, r *vw.ListRedFlagQuestionsRequest) (*vw.ListRedFlagQuestionsResponse, error) {
	caller, page, err := s.list(ctx, r)
	if err != nil {
		return nil, err
	}
	part, next, err := requests.Cut(page, proposal.RedFlags())
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	out := &vw.ListRedFlagQuestionsResponse{NextPageToken: s.pager.Token(r, next)}
	for _, f := range part {
		out.Questions = append(out.Questions, &vw.RedFlagQuestion{Id: f.ID, Text: f.Question})
	}
	return out, nil
}

// FindEmergencyPlace finds the next place for a patient in need. The red flags
// come first: until the practice's own instruction was read out, a raised flag
// has no place in its answer.
func (s *Diary) FindEmergencyPlace(ctx context.Context, r *vw.FindEmergencyPlaceRequest) (*vw.FindEmergencyPlaceResponse, error) {
	caller, err := s.reader(ctx, r.GetParent())
	if err != nil {
		return nil, err
	}
	out := &vw.FindEmergencyPlaceResponse{}
	if out.RaisedFlags, err = raised(r.GetAnswers()); err != nil {
		return nil, err
	}
	x, err := s.snapshot(ctx, caller.Call)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	if len(out.RaisedFlags) > 0 {
		out.UrgentInstruction = x.worked.instruction
		if out.UrgentInstruction == "" {
			out.UrgentInstruction = noInstruction
		}
		if !r.GetInstructionAcknowledged() {
			out.Text = "read out the urgent-care instruction first"
			return out, nil
		}
	}
	req, err := s.emergencyRequest(ctx, caller, r, x)
	if err != nil {
		return nil, err
	}
	got, err := x.masks.Search(req)
	if err != nil {
		return nil, s.fault(err, caller, wishPaths)
	}
	for _, o := range got.Offers {
		p := o.Places[0]
		shown := &vw.OfferedPlace{Place: placeOfDiary(caller.Practice, p, x.zone())}
		if p.FromReserve {
			shown.Warnings = []*vw.PlaceWarning{{Reason: "ADVISED_AGAINST", Text: "uses time kept for emergencies"}}
		}
		out.Places = append(out.Places, shown)
	}
	if len(out.Places) == 0 {
		out.Text = "no place is free, the day's reserve included: ask a clinician where the patient can be fitted in, or refer"
	}
	return out, nil
}

// raised lists the flags that were answered with yes, and refuses answers that
// leave a question out.
func raised(answers []*vw.RedFlagAnswer) ([]string, error) {
	var out []string
	asked := map[string]bool{}
	questions := proposal.RedFlags()
	for i, a := range answers {
		field := fmt.Sprintf("answers[%d].question", i)
		if !slices.ContainsFunc(questions, func(f proposal.RedFlag) bool { return f.ID == a.GetQuestion() }) {
			return nil, unknownID(field, "red-flags")
		}
		if asked[a.GetQuestion()] {
			return nil, invalidField(field, "each question once")
		}
		asked[a.GetQuestion()] = true
		if a.GetYes() {
			out = append(out, a.GetQuestion())
		}
	}
	for _, f := range questions {
		if !asked[f.ID] {
			return nil, invalidField("answers", "an answer to every red-flag question, "+f.ID+" among them, before any place is looked for")
		}
	}
	return out, nil
}

func (s *Diary) emergencyRequest(ctx context.Context, c Caller, r *vw.FindEmergencyPlaceRequest, x *snapshot) (*diary.Request, error) {
	minutes := int(r.GetMinutes())
	if minutes == 0 {
		// The usual length, on the practice's own grid.
		minutes = x.worked.upToStep(s.figures.whole("emergency.minutes"))
	}
	if err := onGrid("minutes", minutes, x.worked); err != nil {
		return nil, err
	}
	most := int(r.GetMostPlaces())
	if most == 0 {
		most = s.figures.whole("emergency.places")
	}
	v := diary.Visit{Protocol: emergencyProtocol, Minutes: minutes, Parts: x.worked.parts(minutes), Window: diary.AnyDay}
	req := &diary.Request{Now: s.now(), Urgency: diary.Urgent, FirstAvailable: true, Emergency: true, Best: min(most, mostEmergencyPlaces),
		StartStep: int(x.worked.settings.GetStartStepMinutes())}
	if err := s.wishesFromProto(c, r.GetWishes(), x, req); err != nil {
		return nil, err
	}
	req.FirstAvailable, req.Urgency = true, diary.Urgent
	for i, name := range r.GetWishes().GetClinicians() {
		ref, err := ownerFromProto(c, fmt.Sprintf("wishes.clinicians[%d]", i), name, x.setup)
		if err != nil {
			return nil, err
		}
		if ref.Kind != store.KindClinician {
			return nil, invalidField(fmt.Sprintf("wishes.clinicians[%d]", i), "a clinician")
		}
		v.Clinicians = append(v.Clinicians, ref.ID)
	}
	req.Visits = []diary.Visit{v}
	if r.GetPatient() != "" {
		patient, err := c.patient("patient", r.GetPatient())
		if err != nil {
			return nil, err
		}
		if _, err := s.store.GetPatient(ctx, c.Reading(), patient); err != nil {
			return nil, s.fault(err, c, nil)
		}
		if req.Patient, err = s.busy(ctx, c, patient, nil, x); err != nil {
			return nil, err
		}
	}
	return req, nil
}
