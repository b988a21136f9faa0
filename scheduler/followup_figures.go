package scheduler

import (
	"context"
	"fmt"
	"math"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/store"
)

// normal975 is the 97.5 % quantile of the normal distribution.
const normal975 = 1.959963984540054

// share is a share with its Wilson interval (Wilson 1927, J Am Stat Assoc
// 22:209), which holds also for few and for none.
func share(count, of int) *vw.ShareFigure {
	out := &vw.ShareFigure{Count: int32(count), Of: int32(of), High: 1, Text: "nothing to count yet"}
	if of == 0 {
		return out
	}
	n, p, z := float64(of), float64(count)/float64(of), normal975
	middle := (p + z*z/(2*n)) / (1 + z*z/n)
	half := z / (1 + z*z/n) * math.Sqrt(p*(1-p)/n+z*z/(4*n*n))
	out.Share, out.Low, out.High = p, max(0, middle-half), min(1, middle+half)
	out.Text = fmt.Sprintf("%d of %d (%.0f %%, 95 %% interval %.0f to %.0f %%)", count, of, 100*p, 100*out.Low, 100*out.High)
	return out
}

// GetPracticeFigures says how the practice's recalls went.
func (f *FollowUps) GetPracticeFigures(ctx context.Context, r *vw.GetPracticeFiguresRequest) (*vw.PracticeFigures, error) {
	caller, err := f.diary.reader(ctx, r.GetParent())
	if err != nil {
		return nil, err
	}
	if _, err := f.Refresh(ctx, caller.Practice); err != nil {
		return nil, f.diary.fault(err, caller, nil)
	}
	counts, err := f.store.CountReviews(ctx, caller.Call)
	if err != nil {
		return nil, f.diary.fault(err, caller, nil)
	}
	var all, held, read, strict, loose int
	for _, x := range counts {
		all += x.Count
		if !x.Held {
			continue
		}
		held += x.Count
		if x.Months != 12 || x.Outcome != "healed" && x.Outcome != "healing" && x.Outcome != "not-healed" {
			continue
		}
		read += x.Count
		if x.Outcome == "healed" {
			strict += x.Count
		}
		if x.Outcome != "not-healed" {
			loose += x.Count
		}
	}
	return &vw.PracticeFigures{RecallAttendance: share(held, all), HealedStrict: share(strict, read), HealedLoose: share(loose, read)}, nil
}

// GetContactWishes reads what a patient agreed to receive.
func (f *FollowUps) GetContactWishes(ctx context.Context, r *vw.GetContactWishesRequest) (*vw.ContactWishes, error) {
	caller, err := f.diary.who(ctx)
	if err != nil {
		return nil, err
	}
	id, err := caller.patient("patient", r.GetPatient())
	if err != nil {
		return nil, err
	}
	w, err := f.store.GetContactWishes(ctx, caller.Call, id)
	if err != nil {
		return nil, f.diary.fault(err, caller, nil)
	}
	return wishesToProto(caller.Practice, w), nil
}

// SetContactWishes records consent, language or an opt-out.
func (f *FollowUps) SetContactWishes(ctx context.Context, r *vw.SetContactWishesRequest) (*vw.ContactWishes, error) {
	caller, err := f.diary.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	id, err := caller.patient("wishes.patient", r.GetWishes().GetPatient())
	if err != nil {
		return nil, err
	}
	p, err := f.diary.store.GetPatient(ctx, caller.Reading(), id)
	if err != nil {
		return nil, f.diary.fault(err, caller, nil)
	}
	w := store.ContactWishes{PatientID: id, Channel: r.GetWishes().GetChannel(), OptedOut: r.GetWishes().GetOptedOut(), Language: r.GetWishes().GetLanguage()}
	if w.Channel != "none" && !w.OptedOut && addressOf(p, w.Channel) == "" {
		return nil, invalidField("wishes.channel", "a way for which the patient's record has an address: an e-mail address for email, a telephone for text")
	}
	var day civil.Date
	if day, err = dateFromProto("wishes.consent_date", r.GetWishes().GetConsentDate()); err != nil {
		return nil, err
	}
	if day.IsZero() && w.Channel != "none" {
		return nil, invalidField("wishes.consent_date", "the day on which the patient agreed")
	}
	if !day.IsZero() {
		w.ConsentDay = day.String()
	}
	if r.GetValidateOnly() {
		return wishesToProto(caller.Practice, w), nil
	}
	made, err := f.store.SetContactWishes(ctx, caller.Call, w)
	if err != nil {
		return nil, f.diary.fault(err, caller, fault.Paths{"language": "wishes.language"})
	}
	return wishesToProto(caller.Practice, made), nil
}

func wishesToProto(practice string, w store.ContactWishes) *vw.ContactWishes {
	return &vw.ContactWishes{Patient: names.Patient(practice, w.PatientID), Channel: w.Channel, OptedOut: w.OptedOut, Language: w.Language, ConsentDate: keptDate(w.ConsentDay)}
}
