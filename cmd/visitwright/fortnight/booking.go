package fortnight

import (
	"errors"
	"fmt"
	"time"

	client "github.com/visitwright/visitwright/clients/go"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// place is a start by the practice's wall, with a clinician.
func (p *player) place(at time.Time, minutes int32, clinician string) *vw.Place {
	out := &vw.Place{Minutes: minutes, Start: &vw.LocalDateTime{Date: toDate(at), Time: clockTime(at)}}
	if clinician != "" {
		out.Holds = []*vw.Hold{{Resource: clinician}}
	}
	return out
}

// tries bounds how many quarters of an hour later a place is looked for.
const tries = 400

// book books one appointment by hand: at the wanted time, or the next quarter
// of an hour at which everybody is there and free.
func (p *player) book(t *tooth, s scene) error {
	at, err := p.days.at(s.For)
	if err != nil {
		return err
	}
	wanted := &vw.PlaceToBook{}
	length := s.Minutes
	if s.What != "" {
		wanted.Unplanned = &vw.UnplannedVisit{Protocol: s.What, Minutes: length, Case: t.of.GetName()}
	} else {
		t.booked++
		wanted.Parts = []*vw.VisitPart{{Plan: t.plan.GetName(), Option: t.option, Visit: t.booked}}
		if length == 0 {
			length = t.planned(t.booked).GetAppointmentMinutes()
		}
	}
	for range tries {
		wanted.Place = p.place(at, length, p.names[t.story.With])
		made, err := p.reception.Diary.BookOffer(p.ctx, &vw.BookOfferRequest{Parent: p.practice, Patient: t.patient.GetName(),
			Places: []*vw.PlaceToBook{wanted}, KeepMinutes: s.Keep})
		if err == nil {
			return p.come(t, s, made)
		}
		if !elsewhere(err) {
			return fmt.Errorf("%s: %w", at.Format("2006-01-02 15:04"), err)
		}
		at = p.quarterLater(at)
	}
	return errors.New("no place is free")
}

// elsewhere reports a refusal that another time may cure.
func elsewhere(err error) bool {
	switch client.ReasonOf(err) {
	case "PLACE_TAKEN", "OUTSIDE_HOURS", "CLOSED", "WRONG_RESOURCE":
		return true
	}
	return false
}

// quarterLater is the next quarter of an hour of the practice's day, and in the
// evening the next morning.
func (p *player) quarterLater(at time.Time) time.Time {
	if next := at.Add(15 * time.Minute); next.Hour() < 17 {
		return next
	}
	y, m, d := p.days.step(at.AddDate(0, 0, 1), 0).Date()
	return time.Date(y, m, d, 8, 0, 0, 0, p.days.zone)
}

// offer books the planned visits from an offer of the service.
func (p *player) offer(t *tooth, s scene) error {
	from, err := p.days.at(s.For)
	if err != nil {
		return err
	}
	r := &vw.FindOffersRequest{Parent: p.practice, Patient: t.patient.GetName(), MostOffers: 1,
		Wishes: &vw.OfferWishes{NotBefore: toDate(from), Clinicians: []string{t.of.GetClinician()}, SameClinician: true}}
	for v := t.planned(1); v != nil && (v.GetNumber() == 1 || v.GetBookedAhead()); v = t.planned(v.GetNumber() + 1) {
		r.Visits = append(r.Visits, &vw.VisitToPlace{Parts: []*vw.VisitPart{{Plan: t.plan.GetName(), Option: t.option, Visit: v.GetNumber()}}})
	}
	found, err := p.reception.Diary.FindOffers(p.ctx, r)
	if err != nil {
		return err
	}
	if len(found.GetOffers()) == 0 {
		return fmt.Errorf("no offer: %v", found.GetBinding())
	}
	made, err := p.reception.Diary.BookOffer(p.ctx, &vw.BookOfferRequest{Parent: p.practice, Patient: t.patient.GetName(),
		OfferToken: found.GetOffers()[0].GetToken(), KeepMinutes: s.Keep})
	if err != nil {
		return err
	}
	return p.come(t, s, made)
}

// emergency takes a call of a patient in need: no red flag, the first place
// that there is, the day's reserve included.
func (p *player) emergency(t *tooth, s scene) error {
	asked, err := p.reception.Diary.ListRedFlagQuestions(p.ctx, &vw.ListRedFlagQuestionsRequest{Parent: p.practice})
	if err != nil {
		return err
	}
	r := &vw.FindEmergencyPlaceRequest{Parent: p.practice, Patient: t.patient.GetName(), Minutes: s.Minutes}
	for _, q := range asked.GetQuestions() {
		r.Answers = append(r.Answers, &vw.RedFlagAnswer{Question: q.GetId()})
	}
	found, err := p.reception.Diary.FindEmergencyPlace(p.ctx, r)
	if err != nil {
		return err
	}
	if len(found.GetPlaces()) == 0 {
		return errors.New(found.GetText())
	}
	made, err := p.reception.Diary.BookOffer(p.ctx, &vw.BookOfferRequest{Parent: p.practice, Patient: t.patient.GetName(), Places: []*vw.PlaceToBook{{
		Place: found.GetPlaces()[0].GetPlace(), Unplanned: &vw.UnplannedVisit{Protocol: "emergency-relief", Minutes: s.Minutes, Case: t.of.GetName()}}}})
	if err != nil {
		return err
	}
	return p.come(t, s, made)
}

// early is how long before the start patients arrive.
const early = 6 * time.Minute

// come has the patient come to the appointments of a booking, and what happens
// there happen.
func (p *player) come(t *tooth, s scene, made *vw.Booking) error {
	for i, a := range made.GetAppointments() {
		start := a.GetPlace().GetStart().GetInstantTime().AsTime()
		then := scene{Do: "seen"}
		if i < len(s.Then) {
			then = s.Then[i]
		}
		if then.Do == "missed" {
			p.enqueue(start.Add(20*time.Minute), t.ref+" missed", func() error { return p.attend(a.GetName(), vw.Appointment_STATE_DID_NOT_ATTEND) })
			continue
		}
		if then.Do == "cancelled" {
			p.enqueue(start.Add(-26*time.Hour), t.ref+" cancelled", func() error { return p.cancel(a.GetName(), then.Reason) })
			continue
		}
		p.enqueue(start.Add(-early), t.ref+" arrives", func() error { return p.attend(a.GetName(), vw.Appointment_STATE_ARRIVED) })
		p.enqueue(start, t.ref+" sits down", func() error {
			if err := p.attend(a.GetName(), vw.Appointment_STATE_IN_CHAIR); err != nil {
				return err
			}
			if then.Do == "visit" || then.Do == "stop" {
				return p.play(t, then, a) // it says itself when the patient leaves
			}
			end := start.Add(time.Duration(a.GetPlace().GetMinutes()-4) * time.Minute)
			if then.Do != "seen" {
				p.enqueue(end.Add(-time.Minute), t.ref+" "+then.Do, func() error { return p.play(t, then, a) })
			}
			p.enqueue(end, t.ref+" leaves", func() error { return p.attend(a.GetName(), vw.Appointment_STATE_LEFT) })
			return nil
		})
	}
	return nil
}

// attend records where the patient of an appointment is.
func (p *player) attend(name string, state vw.Appointment_State) error {
	a, err := p.reception.Diary.GetAppointment(p.ctx, &vw.GetAppointmentRequest{Name: name})
	if err != nil {
		return err
	}
	_, err = p.reception.Diary.RecordAttendance(p.ctx, &vw.RecordAttendanceRequest{Name: name, Etag: a.GetEtag(), State: state})
	return err
}

func (p *player) cancel(name, reason string) error {
	a, err := p.reception.Diary.GetAppointment(p.ctx, &vw.GetAppointmentRequest{Name: name})
	if err != nil {
		return err
	}
	_, err = p.reception.Diary.CancelAppointment(p.ctx, &vw.CancelAppointmentRequest{Name: name, Etag: a.GetEtag(), Reason: reason})
	return err
}
