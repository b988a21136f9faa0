package scheduler

import (
	"context"
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/diary"
	"github.com/visitwright/visitwright/store"
)

// CreateShortNoticeEntry puts a patient on the short-notice list.
func (s *Diary) CreateShortNoticeEntry(ctx context.Context, r *vw.CreateShortNoticeEntryRequest) (*vw.ShortNoticeEntry, error) {
	caller, err := s.writer(ctx, r)
	if err == nil {
		err = caller.Within("parent", r.GetParent())
	}
	if err != nil {
		return nil, err
	}
	x, err := s.snapshot(ctx, caller.Reading())
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	made := proto.CloneOf(r.GetEntry())
	made.Name, made.CreateTime, made.Etag = "", nil, ""
	patient, err := caller.patient("entry.patient", made.GetPatient())
	if err != nil {
		return nil, err
	}
	d, err := s.demandOf(ctx, caller, "entry", made.GetParts(), nil, x.worked)
	if err != nil {
		return nil, err
	}
	if d.patient != patient {
		return nil, fault.State(vw.ErrorReason_ERROR_REASON_DIFFERENT_PATIENTS, made.GetPatient(), "the case belongs to another patient")
	}
	made.Parts = d.parts
	if err := s.wishesFromProto(caller, made.GetWishes(), x, &diary.Request{}); err != nil {
		return nil, err
	}
	if made.GetInsteadOf() != "" {
		a, err := s.kept(ctx, caller, "entry.instead_of", made.GetInsteadOf())
		if err != nil {
			return nil, err
		}
		if a.PatientID != patient {
			return nil, fault.State(vw.ErrorReason_ERROR_REASON_DIFFERENT_PATIENTS, made.GetPatient(), "the appointment to give up is another patient's")
		}
	}
	if r.GetValidateOnly() {
		return made, nil
	}
	document, err := proto.Marshal(made)
	if err != nil {
		return nil, err
	}
	kept, err := s.store.AddShortNotice(ctx, caller.Call, store.ShortNoticeEntry{PatientID: patient, Document: document})
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	return entryToProto(caller.Practice, kept)
}

func entryToProto(practice string, e store.ShortNoticeEntry) (*vw.ShortNoticeEntry, error) {
	out := &vw.ShortNoticeEntry{}
	if err := proto.Unmarshal(e.Document, out); err != nil {
		return nil, fmt.Errorf("short-notice entry %s: %w", e.ID, err)
	}
	out.Name, out.Patient = names.ShortNoticeEntry(practice, e.ID), names.Patient(practice, e.PatientID)
	out.CreateTime, out.Etag = instant(e.CreateTime), e.Etag
	return out, nil
}

// ListShortNoticeEntries lists the short-notice list, the oldest first.
func (s *Diary) ListShortNoticeEntries(ctx context.Context, r *vw.ListShortNoticeEntriesRequest) (*vw.ListShortNoticeEntriesResponse, error) {
	caller, page, err := s.list(ctx, r)
	if err != nil {
		return nil, err
	}
	all, err := s.store.ListShortNotice(ctx, caller.Call)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	part, next, err := requests.Cut(page, all)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	out := &vw.ListShortNoticeEntriesResponse{NextPageToken: s.pager.Token(r, next)}
	for _, e := range part {
		shown, err := entryToProto(caller.Practice, e)
		if err != nil {
			return nil, err
		}
		out.Entries = append(out.Entries, shown)
	}
	return out, nil
}

// DeleteShortNoticeEntry takes a patient off the list.
func (s *Diary) DeleteShortNoticeEntry(ctx context.Context, r *vw.DeleteShortNoticeEntryRequest) (*vw.DeleteShortNoticeEntryResponse, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	n, err := caller.One(names.ShortNoticeEntryPattern, "name", r.GetName(), vw.ErrorReason_ERROR_REASON_SHORT_NOTICE_ENTRY_NOT_FOUND)
	if err != nil {
		return nil, err
	}
	if r.GetValidateOnly() {
		all, err := s.store.ListShortNotice(ctx, caller.Reading())
		if err != nil {
			return nil, s.fault(err, caller, nil)
		}
		if !slices.ContainsFunc(all, func(e store.ShortNoticeEntry) bool { return e.ID == n.ID }) {
			return nil, fault.NotFound(vw.ErrorReason_ERROR_REASON_SHORT_NOTICE_ENTRY_NOT_FOUND, r.GetName())
		}
		return &vw.DeleteShortNoticeEntryResponse{}, nil
	}
	if err := s.store.DropShortNotice(ctx, caller.Call, n.ID); err != nil {
		return nil, s.fault(err, caller, nil)
	}
	return &vw.DeleteShortNoticeEntryResponse{}, nil
}

const (
	defaultMatches = 5
	mostMatches    = 50
)

// MatchShortNotice finds whom a freed place suits best.
func (s *Diary) MatchShortNotice(ctx context.Context, r *vw.MatchShortNoticeRequest) (*vw.MatchShortNoticeResponse, error) {
	caller, err := s.reader(ctx, r.GetParent())
	if err != nil {
		return nil, err
	}
	x, err := s.snapshot(ctx, caller.Call)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	freed, err := s.choose(caller, "place", r.GetPlace(), x)
	if err != nil {
		return nil, err
	}
	all, err := s.store.ListShortNotice(ctx, caller.Call)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	entries := map[string]*vw.ShortNoticeEntry{}
	var waiting []diary.Waiting
	for _, e := range all {
		shown, err := entryToProto(caller.Practice, e)
		if err != nil {
			return nil, err
		}
		w, ok, err := s.waiting(ctx, caller, e, shown, x)
		if err != nil {
			return nil, err
		}
		if ok {
			entries[e.ID] = shown
			waiting = append(waiting, w)
		}
	}
	found, _, err := x.masks.WhoSuits(freed.chair(), s.now(), x.worked.weights(), waiting)
	if err != nil {
		return nil, s.fault(err, caller, fault.Paths{"freed": "place"})
	}
	most := int(r.GetMostMatches())
	if most == 0 {
		most = defaultMatches
	}
	out := &vw.MatchShortNoticeResponse{}
	for _, m := range found[:min(len(found), most, mostMatches)] {
		e := entries[m.ID]
		out.Matches = append(out.Matches, &vw.ShortNoticeMatch{Entry: e, Reasons: m.Reasons,
			Place: &vw.OfferedPlace{Parts: e.GetParts(), Place: placeOfDiary(caller.Practice, m.Place, x.zone())}})
	}
	return out, nil
}

// waiting reads an entry; ok is false for one that no longer makes sense: its
// case is closed, or its plan has no such visit any more.
func (s *Diary) waiting(ctx context.Context, c Caller, e store.ShortNoticeEntry, shown *vw.ShortNoticeEntry, x *snapshot) (w diary.Waiting, ok bool, err error) {
	d, err := s.demandOf(ctx, c, "entry", shown.GetParts(), nil, x.worked)
	if f := (*fault.Fault)(nil); asFault(err, &f) {
		return w, false, nil
	}
	if err != nil {
		return w, false, err
	}
	w = diary.Waiting{ID: e.ID, Visit: d.visit(x.worked, shown.GetWishes().GetUrgent()), Anchor: d.anchor, Listed: x.zone().Date(e.CreateTime),
		Notice: int(shown.GetNoticeMinutes()), Seen: d.clinician, Continuity: diary.PreferSame}
	var req diary.Request
	if err := s.wishesFromProto(c, shown.GetWishes(), x, &req); err != nil {
		return w, false, nil //nolint:nilerr // wishes of days that have passed suit nothing any more
	}
	w.Wishes, w.Urgency = req.Wishes, req.Urgency
	if req.Continuity == diary.RequireSame {
		w.Continuity = diary.RequireSame
	}
	for i, name := range shown.GetWishes().GetClinicians() {
		ref, err := ownerFromProto(c, fmt.Sprintf("entry.wishes.clinicians[%d]", i), name, x.setup)
		if err == nil && ref.Kind == store.KindClinician {
			w.Visit.Clinicians = append(w.Visit.Clinicians, ref.ID)
		}
	}
	prev, err := s.previous(ctx, c, d, x)
	if err != nil {
		return w, false, err
	}
	if prev != nil {
		w.Anchor = x.zone().Date(prev.Start)
	}
	without := map[string]bool{}
	if name := shown.GetInsteadOf(); name != "" {
		a, err := s.kept(ctx, c, "entry.instead_of", name)
		if err != nil {
			return w, false, err
		}
		if a.State == store.StateProvisional || a.State == store.StateBooked {
			w.Booked, without[a.ID] = x.zone().Date(a.Start), true
		}
	}
	w.Patient, err = s.busy(ctx, c, e.PatientID, without, x)
	return w, err == nil, err
}
