package scheduler

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/diary"
)

// offerToProto is an offer with its token, its reasons, and what reception
// should know of each place.
func (s *Diary) offerToProto(c Caller, q *question, o diary.Offer, x *snapshot) (*vw.Offer, error) {
	out := &vw.Offer{Cost: int64(o.Cost.Sum())}
	book := &vw.BookOfferRequest{Parent: names.Practice(c.Practice)}
	if q.patient != "" {
		book.Patient = names.Patient(c.Practice, q.patient)
	}
	show := func(t toPlace, p diary.Place, first bool) {
		place := placeOfDiary(c.Practice, p, x.zone())
		shown := &vw.OfferedPlace{Parts: t.parts, Place: place, IfNeeded: t.ifNeeded, Warnings: lowerBlocks(t)}
		if !first {
			shown.DaysAfterPrevious = proto.Int32(int32(p.Days))
		}
		out.Places = append(out.Places, shown)
		if t.fixed == nil {
			book.Places = append(book.Places, &vw.PlaceToBook{Parts: t.parts, Place: place, IfNeeded: t.ifNeeded, Unplanned: t.unplannedToProto(c)})
		}
	}
	at := 0
	for i, t := range q.visits {
		if t.fixed != nil {
			p := *t.fixed
			switch {
			case i > 0 && q.before:
				p.Days = p.Day.DaysSince(o.Places[0].Day)
			case i > 0:
				p.Days = p.Day.DaysSince(q.visits[i-1].fixed.Day)
			}
			show(t, p, i == 0)
			continue
		}
		show(t, o.Places[at], i == 0 && q.req.Anchor.IsZero())
		at++
	}
	for _, r := range []struct {
		id   string
		cost int
	}{{"wait", o.Cost.Wait}, {"target", o.Cost.Target}, {"change", o.Cost.Change}, {"capacity", o.Cost.Capacity}} {
		if text := q.numbered(reasonText(o, r.id)); text != "" || r.cost > 0 {
			out.Reasons = append(out.Reasons, &vw.OfferReason{Id: r.id, Cost: int64(r.cost), Text: text})
		}
	}
	var err error
	out.Token, err = s.seals.offer(c.Practice, offered{BookOfferRequest: book, from: q.from})
	return out, err
}

// costOf says which part of the cost a reason explains.
var costOf = map[diary.ReasonCode]string{
	diary.ReasonWait: "wait", diary.ReasonFirstFree: "wait", diary.ReasonTarget: "target", diary.ReasonLatest: "target",
	diary.ReasonSame: "change", diary.ReasonChange: "change", diary.ReasonCapacity: "capacity", diary.ReasonNoLoss: "capacity", diary.ReasonReserve: "capacity",
}

func reasonText(o diary.Offer, id string) string {
	var parts []string
	for _, r := range o.Reasons {
		if costOf[r.Code] == id {
			parts = append(parts, r.Text)
		}
	}
	return strings.Join(parts, "; ")
}

var visitInText = regexp.MustCompile(`\bvisit (\d+)( \d)?`)

// numbered puts the numbers that the visits have in their plan in place of their
// places in the request: asked for visit 3 alone, the search calls it visit 1.
func (q *question) numbered(text string) string {
	return visitInText.ReplaceAllStringFunc(text, func(found string) string {
		m := visitInText.FindStringSubmatch(found)
		at, err := strconv.Atoi(m[1])
		if err != nil || at < 1 || at > len(q.visits) {
			return found
		}
		out := "the visit"
		if n := q.visits[at-1].number(); n > 0 {
			out = "visit " + strconv.Itoa(n)
		}
		if m[2] != "" { // "visit 2: 1 day after", two numbers apart
			out += ":" + m[2]
		}
		return out
	})
}

// lowerBlocks warns of a visit that numbs both sides of the lower jaw.
func lowerBlocks(t toPlace) []*vw.PlaceWarning {
	if len(t.sides) < 2 {
		return nil
	}
	return []*vw.PlaceWarning{{Reason: "ADVISED_AGAINST", Text: "numbing both sides of the lower jaw in one visit is advised against", ClinicianMayOverride: true}}
}

func (d *demand) unplannedToProto(c Caller) *vw.UnplannedVisit {
	if !d.unplanned {
		return nil
	}
	out := &vw.UnplannedVisit{Protocol: d.protocol, Minutes: int32(d.minutes)}
	if len(d.cases) > 0 {
		out.Case = names.Case(c.Practice, d.cases[0].CaseID)
	}
	return out
}

// constraintIDs names what can be given up as the catalogue offer-constraints
// does.
var constraintIDs = map[string]string{
	diary.GiveTimes: "times", diary.GiveWeekdays: "weekdays", diary.GiveDates: "dates", diary.GiveNotAfter: "dates", diary.GiveNotBefore: "dates",
	diary.GiveOwn: "dates", diary.GiveNotice: "dates", diary.GiveSame: "clinician", diary.GiveClinician: "clinician", diary.GiveRoom: "room",
	diary.GiveLater: "window", diary.GiveEarlier: "window", diary.GiveLength: "length", diary.GiveCompanion: "times", diary.GiveReserve: "hours",
}

// binding says why there is no offer, and what giving way by how much would
// lead to.
func (s *Diary) binding(c Caller, q *question, x *snapshot) ([]*vw.BindingConstraint, error) {
	why, err := x.masks.Explain(&q.req)
	if err != nil {
		return nil, err
	}
	var out []*vw.BindingConstraint
	for _, text := range why.Missing {
		out = append(out, &vw.BindingConstraint{Id: missingID(text), Text: q.numbered(x.named(text))})
	}
	if len(out) == 0 && len(why.Alone)+len(why.Together) == 0 {
		text := "even an empty diary has no place: hours, closures and absences leave none"
		if why.Cause == diary.CauseBooked {
			text = "every place that would do is taken"
		}
		return []*vw.BindingConstraint{{Id: "hours", Text: text}}, nil
	}
	cause := "every place that would do is taken"
	if why.Cause == diary.CauseHours {
		cause = "hours, closures and wishes leave no place"
	}
	for _, r := range why.Alone {
		b := &vw.BindingConstraint{Id: constraintIDs[r.Constraint], Text: x.named(cause), Relaxing: q.numbered(x.named(r.Text)) + ": " + firstOf(r.Offer)}
		if r.Clinician {
			b.Relaxing += " (a clinician decides)"
		}
		if b.FirstOffer, err = s.offerToProto(c, q, r.Offer, x); err != nil {
			return nil, err
		}
		out = append(out, b)
	}
	if len(why.Together) > 0 {
		var parts []string
		for _, r := range why.Together {
			parts = append(parts, q.numbered(x.named(r.Text)))
		}
		offer := why.Together[0].Offer
		b := &vw.BindingConstraint{Id: constraintIDs[why.Together[0].Constraint], Text: cause + "; no single wish stands in the way",
			Relaxing: "together: " + strings.Join(parts, "; ") + ": " + firstOf(offer)}
		if b.FirstOffer, err = s.offerToProto(c, q, offer, x); err != nil {
			return nil, err
		}
		out = append(out, b)
	}
	return out, nil
}

func missingID(text string) string {
	for _, id := range []string{"clinician", "room", "nurse"} {
		if strings.Contains(text, id) {
			return id
		}
	}
	return "equipment"
}

func firstOf(o diary.Offer) string {
	if len(o.Places) == 0 {
		return "nothing"
	}
	p := o.Places[0]
	return fmt.Sprintf("%s %s %s", p.Day.Weekday(), p.Day, p.Local.Time)
}
