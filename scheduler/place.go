package scheduler

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/codes"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
	"github.com/visitwright/visitwright/store"
)

// chosen is a place that somebody picked: a start, a length, and whom and what
// it is to hold, as far as that was said.
type chosen struct {
	field   string
	kept    civil.KeptTime
	minutes int

	clinician, room, nurse string
	units                  []diary.UnitUse
}

func (p *chosen) chair() civil.Interval {
	return civil.Interval{Start: p.kept.UTC, End: p.kept.UTC.Add(time.Duration(p.minutes) * time.Minute)}
}

func (p *chosen) day() civil.Date { return p.kept.Local.Date }

// choose reads a place of ours: its start must be one instant of the practice's
// clock, its holds name what the practice has.
func (s *Diary) choose(c Caller, field string, v *vw.Place, x *snapshot) (*chosen, error) {
	local, zone, err := s.localFromProto(field+".start", v.GetStart(), x.zone())
	if err != nil {
		return nil, err
	}
	at, err := zone.Strict(local)
	if err != nil {
		return nil, s.fault(err, c, fault.Paths{"start": field + ".start"})
	}
	// Kept as the practice's own wall shows it.
	out := &chosen{field: field, minutes: int(v.GetMinutes())}
	if out.kept, err = x.zone().Keep(x.zone().Local(at)); err != nil {
		return nil, s.fault(err, c, fault.Paths{"start": field + ".start"})
	}
	if !out.kept.UTC.Equal(at) {
		return nil, invalidField(field+".start", "a start in whole minutes of the practice's clock")
	}
	if step := int(x.worked.settings.GetStartStepMinutes()); out.kept.Local.Time.Minutes()%diary.Grid != 0 {
		return nil, invalidField(field+".start.time", fmt.Sprintf("a time on the practice's grid of %d minutes", step))
	}
	if err := onGrid(field+".minutes", out.minutes, x.worked); err != nil {
		return nil, err
	}
	for i, h := range v.GetHolds() {
		if err := out.hold(c, fmt.Sprintf("%s.holds[%d].resource", field, i), h.GetResource(), x); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func (p *chosen) hold(c Caller, field, name string, x *snapshot) error {
	ref, err := ownerFromProto(c, field, name, x.setup)
	if err != nil {
		return err
	}
	one := func(into *string) error {
		if *into != "" && *into != ref.ID {
			return invalidField(field, "one "+string(ref.Kind)+" for a visit")
		}
		*into = ref.ID
		return nil
	}
	switch ref.Kind {
	case store.KindClinician:
		return one(&p.clinician)
	case store.KindRoom:
		return one(&p.room)
	case store.KindNurse:
		return one(&p.nurse)
	case store.KindEquipment:
		i := slices.IndexFunc(x.setup.Resources, func(r store.Resource) bool { return r.ResourceRef == ref })
		use := diary.UnitUse{Kind: x.setup.Resources[i].Class, ID: ref.ID}
		if !slices.Contains(p.units, use) {
			p.units = append(p.units, use)
		}
		return nil
	}
	return invalidField(field, "a clinician, a room, a nurse or a unit of equipment")
}

// unit is the unit of a kind of equipment that the place holds; "" for none.
func (p *chosen) unit(kind string) string {
	for _, u := range p.units {
		if u.Kind == kind {
			return u.ID
		}
	}
	return ""
}

// whole reports whether the place says everything that the visit needs.
func (p *chosen) whole(v *diary.Visit) bool {
	for _, part := range v.Parts {
		switch {
		case part.Needs == diary.KindClinician && p.clinician == "", part.Needs == diary.KindRoom && p.room == "",
			part.Needs == diary.KindNurse && p.nurse == "", part.Needs == diary.KindUnit && p.unit(part.Equipment) == "":
			return false
		}
	}
	return true
}

// fill picks what the place does not say: the best that is free at that start,
// else the first that could do it, which the warnings then say is taken.
func (s *Diary) fill(p *chosen, v diary.Visit, seen string, x *snapshot) error {
	if p.whole(&v) {
		return nil
	}
	v.Window = diary.AnyDay
	if p.clinician != "" {
		v.Clinicians = []string{p.clinician}
	}
	if p.room != "" {
		v.Rooms = []string{p.room}
	}
	day := p.day()
	req := &diary.Request{Now: s.now(), Visits: []diary.Visit{v}, Emergency: true, Best: 1, Weights: x.worked.weights(), Seen: seen,
		Continuity: diary.PreferSame, Wishes: diary.Wishes{NotBefore: day, NotAfter: day}}
	from := p.kept.Local.Time
	if to := x.zone().Local(p.chair().End); to.Date == day {
		req.Wishes.Suits = []diary.Suit{{Days: diary.EveryDay, Span: civil.Span{From: from, To: to.Time}}}
	} else {
		req.Wishes.Suits = []diary.Suit{{Days: diary.EveryDay, Span: civil.Span{From: from, To: civil.EndOfDay}}}
	}
	if req.Wishes.Suits[0].To > req.Wishes.Suits[0].From {
		got, err := x.masks.Search(req)
		if err != nil {
			return err
		}
		if len(got.Offers) > 0 {
			found := got.Offers[0].Places[0]
			p.clinician, p.room, p.nurse, p.units = found.Clinician, found.Room, found.Nurse, found.Units
			return nil
		}
	}
	return p.pick(v, x.practice)
}

func (p *chosen) pick(v diary.Visit, practice *diary.Practice) error {
	missing := func(what string) error {
		return fault.State(vw.ErrorReason_ERROR_REASON_WRONG_RESOURCE, "", "the practice has no "+what+" for this visit")
	}
	if p.clinician == "" {
		for _, c := range practice.Clinicians {
			if p.clinician == "" || slices.Contains(c.Protocols, v.Protocol) && !does(practice, p.clinician, v.Protocol) {
				p.clinician = c.ID
			}
		}
		if p.clinician == "" {
			return missing("clinician")
		}
	}
	if p.room == "" {
		if len(practice.Rooms) == 0 {
			return missing("room")
		}
		p.room = practice.Rooms[0].ID
	}
	for _, part := range v.Parts {
		switch {
		case part.Needs == diary.KindNurse && p.nurse == "":
			if len(practice.Nurses) == 0 {
				return missing("nurse")
			}
			p.nurse = practice.Nurses[0].ID
		case part.Needs == diary.KindUnit && p.unit(part.Equipment) == "":
			i := slices.IndexFunc(practice.Units, func(u diary.Unit) bool { return u.Kind == part.Equipment })
			if i < 0 {
				return missing(part.Equipment)
			}
			p.units = append(p.units, diary.UnitUse{Kind: part.Equipment, ID: practice.Units[i].ID})
		}
	}
	return nil
}

func does(practice *diary.Practice, clinician, protocol string) bool {
	i := slices.IndexFunc(practice.Clinicians, func(c diary.Clinician) bool { return c.ID == clinician })
	return i >= 0 && slices.Contains(practice.Clinicians[i].Protocols, protocol)
}

// placed is the place as the pure diary speaks of it: each resource held for
// its own part of the visit.
func (p *chosen) placed(v *diary.Visit, visit int) diary.Place {
	out := diary.Place{Visit: visit, Day: p.day(), Local: p.kept.Local, Chair: p.chair(), Clinician: p.clinician, Room: p.room, Nurse: p.nurse, Units: p.units}
	hold := func(kind diary.Kind, id string, part diary.Part) {
		if id != "" {
			out.Holds = append(out.Holds, diary.Hold{Resource: diary.Ref{Kind: kind, ID: id}, Time: civil.Interval{
				Start: p.kept.UTC.Add(time.Duration(part.From) * time.Minute), End: p.kept.UTC.Add(time.Duration(part.To) * time.Minute)}})
		}
	}
	for _, part := range v.Parts {
		switch part.Needs {
		case diary.KindRoom:
			hold(part.Needs, p.room, part)
		case diary.KindClinician:
			hold(part.Needs, p.clinician, part)
		case diary.KindNurse:
			hold(part.Needs, p.nurse, part)
		case diary.KindUnit:
			hold(part.Needs, p.unit(part.Equipment), part)
		}
	}
	return out
}

// keptPlace is a place as the store keeps it.
func keptPlace(p diary.Place, z *civil.Zone) store.Place {
	out := store.Place{Start: p.Chair.Start, End: p.Chair.End, Zone: z.Name(), Local: p.Local.String(), ZoneVersion: z.Version()}
	for _, h := range p.Holds {
		out.Spans = append(out.Spans, store.Span{ResourceRef: store.ResourceRef{Kind: kindToStore[h.Resource.Kind], ID: h.Resource.ID}, Start: h.Time.Start, End: h.Time.End})
	}
	return out
}

func placeOfDiary(practice string, p diary.Place, z *civil.Zone) *vw.Place {
	k := keptPlace(p, z)
	return placeToProto(practice, k.Start, k.End, k.Local, k.Zone, k.ZoneVersion, k.Spans)
}

// placeOfKept is an appointment as the pure diary speaks of it.
func placeOfKept(a store.Appointment, z *civil.Zone, visit int) diary.Place {
	out := diary.Place{Visit: visit, Local: z.Local(a.Start), Chair: civil.Interval{Start: a.Start, End: a.End}}
	out.Day = out.Local.Date
	for _, p := range a.Spans {
		out.Holds = append(out.Holds, diary.Hold{Resource: diary.Ref{Kind: kindToDiary[p.Kind], ID: p.ID}, Time: civil.Interval{Start: p.Start, End: p.End}})
		switch p.Kind {
		case store.KindClinician:
			out.Clinician = p.ID
		case store.KindRoom:
			out.Room = p.ID
		case store.KindNurse:
			out.Nurse = p.ID
		}
	}
	return out
}

// warn says what speaks against a place. seen and anchor are the clinician and
// the day of the visit before.
func (s *Diary) warn(p *chosen, v diary.Visit, anchor civil.Date, seen string, patient []civil.Interval, x *snapshot) ([]diary.Warning, error) {
	req := &diary.Request{Now: s.now(), Anchor: anchor, Visits: []diary.Visit{v}, Seen: seen, Best: 1, Weights: x.worked.weights(), Patient: patient}
	if seen != "" {
		req.Continuity = diary.PreferSame
	}
	_, out, err := x.masks.PlaceByHand(req, diary.ByHand{Local: p.kept.Local, Clinician: p.clinician, Room: p.room, Nurse: p.nurse, Units: p.units})
	return out, err
}

// warningReasons gives each warning its name in the contract. ADVISED_AGAINST
// is no error: reception decides, or a clinician.
var warningReasons = map[diary.WarningCode]string{
	diary.WarnGrid: "INVALID_FIELD", diary.WarnClock: "TIME_IN_GAP", diary.WarnMidnight: "OUTSIDE_HOURS", diary.WarnRange: "RANGE_TOO_LONG",
	diary.WarnPast: "INVALID_FIELD", diary.WarnClosed: "CLOSED", diary.WarnHours: "OUTSIDE_HOURS", diary.WarnTaken: "PLACE_TAKEN",
	diary.WarnOwn: "PLACE_TAKEN", diary.WarnProtocol: "WRONG_RESOURCE", diary.WarnRoom: "WRONG_RESOURCE",
	diary.WarnTooSoon: "OUTSIDE_WINDOW", diary.WarnTooLate: "OUTSIDE_WINDOW",
}

// overridable are warnings that a clinician may override with a reason, beside
// those that the pure diary marks so.
func overridable(code diary.WarningCode) bool {
	switch code {
	case diary.WarnTooSoon, diary.WarnTooLate, diary.WarnProtocol, diary.WarnHours:
		return true
	}
	return false
}

func warningsToProto(list []diary.Warning, practice *snapshot) []*vw.PlaceWarning {
	var out []*vw.PlaceWarning
	for _, w := range list {
		reason := warningReasons[w.Code]
		if reason == "" {
			reason = "ADVISED_AGAINST"
		}
		out = append(out, &vw.PlaceWarning{Reason: reason, Text: practice.named(w.Text), Forbids: w.Refused, ClinicianMayOverride: !w.Refused && (w.Clinician || overridable(w.Code))})
	}
	return out
}

// named puts the titles that people use in place of ids.
func (x *snapshot) named(text string) string {
	var pairs []string
	for _, r := range x.setup.Resources {
		pairs = append(pairs, r.ID, r.Name)
	}
	for _, c := range x.setup.Clinicians {
		pairs = append(pairs, c.ID, c.Name)
	}
	return strings.NewReplacer(pairs...).Replace(text)
}

// refused turns the first warning that stands in the way of a booking into the
// answer; nil when none does. What is taken is left to the store, which alone
// knows it for sure. override lets a clinician's decision stand. The texts are
// read aloud at the front desk: titles in place of ids, and the field beside.
func refused(c Caller, field string, list []diary.Warning, override bool, x *snapshot) error {
	for _, w := range list {
		name := ""
		if w.Resource != nil {
			name = refName(c.Practice, store.ResourceRef{Kind: kindToStore[w.Resource.Kind], ID: w.Resource.ID})
		}
		if override && overridable(w.Code) {
			continue
		}
		if w.Refused {
			switch w.Code {
			case diary.WarnTaken, diary.WarnOwn:
				continue
			case diary.WarnClosed:
				return fault.State(vw.ErrorReason_ERROR_REASON_CLOSED, names.Practice(c.Practice), x.named(w.Text)).With("field", field)
			case diary.WarnMidnight:
				return fault.State(vw.ErrorReason_ERROR_REASON_OUTSIDE_HOURS, name, x.named(w.Text)).With("field", field)
			case diary.WarnRange:
				return readable(vw.ErrorReason_ERROR_REASON_RANGE_TOO_LONG, field+".start", w.Text+": choose a day within it")
			case diary.WarnPast:
				return readable(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, field+".start", "that time has passed: choose a later one")
			case diary.WarnTooSoon:
				return fault.State(vw.ErrorReason_ERROR_REASON_OUTSIDE_WINDOW, "", x.named(w.Text)).With("field", field)
			}
			return readable(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, field+".start", x.named(w.Text))
		}
		switch w.Code {
		case diary.WarnHours:
			return fault.State(vw.ErrorReason_ERROR_REASON_OUTSIDE_HOURS, name, x.named(w.Text)).With("field", field)
		case diary.WarnProtocol, diary.WarnRoom:
			return fault.State(vw.ErrorReason_ERROR_REASON_WRONG_RESOURCE, name, x.named(w.Text)).With("field", field)
		case diary.WarnTooSoon, diary.WarnTooLate:
			return fault.State(vw.ErrorReason_ERROR_REASON_OUTSIDE_WINDOW, "", w.Text+"; a clinician may override it with the reason").With("field", field)
		}
	}
	return nil
}

// readable refuses a field in a sentence that can be read aloud.
func readable(reason vw.ErrorReason, path, text string) *fault.Fault {
	return &fault.Fault{Code: codes.InvalidArgument, Reason: reason, Text: text, Fields: []fault.Field{{Path: path, Want: text}}}
}

// taken is what a preview says of a place that is not free.
func taken(c Caller, field string, list []diary.Warning) error {
	for _, w := range list {
		if w.Code != diary.WarnTaken && w.Code != diary.WarnOwn {
			continue
		}
		kind := store.ResourceKind("")
		if w.Code == diary.WarnOwn {
			kind = store.KindPatient
		} else if w.Resource != nil {
			kind = kindToStore[w.Resource.Kind]
		}
		f := (&fault.Fault{Code: codes.Aborted, Reason: vw.ErrorReason_ERROR_REASON_PLACE_TAKEN, Text: fault.TakenText(kind)}).With("field", field)
		if w.Resource != nil {
			f.With("resource", refName(c.Practice, store.ResourceRef{Kind: kindToStore[w.Resource.Kind], ID: w.Resource.ID}))
		}
		return f
	}
	return nil
}
