package scheduler

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil/holidays"
	"github.com/visitwright/visitwright/scheduler/diary"
	"github.com/visitwright/visitwright/store"
)

// GetDiarySettings reads how the diary is run, with what ships in the gaps.
func (s *Diary) GetDiarySettings(ctx context.Context, r *vw.GetDiarySettingsRequest) (*vw.DiarySettings, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	if _, err := caller.One(names.DiarySettingsPattern, "name", r.GetName(), vw.ErrorReason_ERROR_REASON_PRACTICE_NOT_FOUND); err != nil {
		return nil, err
	}
	p, err := s.store.GetPractice(ctx, caller.Call)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	out, _, err := s.completed(p)
	return out, err
}

// UpdateDiarySettings changes how the diary is run.
func (s *Diary) UpdateDiarySettings(ctx context.Context, r *vw.UpdateDiarySettingsRequest) (*vw.DiarySettings, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	want := r.GetSettings()
	if _, err := caller.One(names.DiarySettingsPattern, "settings.name", want.GetName(), vw.ErrorReason_ERROR_REASON_PRACTICE_NOT_FOUND); err != nil {
		return nil, err
	}
	if err := etagNeeded("settings.etag", want.GetEtag()); err != nil {
		return nil, err
	}
	setup, err := s.store.ReadSetup(ctx, caller.Reading())
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	p := setup.Practice
	next, parts, err := s.completed(p)
	if err != nil {
		return nil, err
	}
	if err := overlay(next, want, r.GetUpdateMask(), "start_step_minutes", "clinician_free_during_onset", "access_equipment_class", "nurse_throughout",
		"provisional_minutes", "reserves", "if_needed_release_days", "holiday_region", "wait_cost", "target_cost", "capacity_cost"); err != nil {
		return nil, err
	}
	if err := s.checkSettings(caller, next, setup); err != nil {
		return nil, err
	}
	if r.GetValidateOnly() {
		if p.Etag != want.GetEtag() {
			return nil, staleEtag(want.GetName())
		}
		return next, nil
	}
	own := proto.CloneOf(next)
	own.Name, own.Etag, own.UpdateTime = "", "", nil
	text, err := protojson.MarshalOptions{UseProtoNames: true, EmitDefaultValues: true}.Marshal(own)
	if err != nil {
		return nil, err
	}
	parts[diaryKey] = text
	document, err := json.Marshal(parts)
	if err != nil {
		return nil, err
	}
	kept, err := s.store.UpdatePractice(ctx, caller.Call, store.PracticeUpdate{Etag: want.GetEtag(), Settings: document})
	if err != nil {
		return nil, s.fault(err, caller, fault.Paths{"etag": "settings.etag", "settings": "settings"})
	}
	out, _, err := s.completed(kept)
	return out, err
}

// checkSettings refuses settings that nothing can be booked by.
func (s *Diary) checkSettings(c Caller, v *vw.DiarySettings, setup store.DiarySetup) error {
	if region := v.GetHolidayRegion(); region != "" && !slices.Contains(holidays.Regions(), region) {
		return invalidField("settings.holiday_region", "the code of a region whose holidays are known, for example \"AT\", or nothing")
	}
	for _, cost := range []struct {
		field string
		value int32
	}{{"wait_cost", v.GetWaitCost() * 3}, {"target_cost", v.GetTargetCost()}, {"capacity_cost", v.GetCapacityCost()}} {
		if cost.value > diary.LargestWeight {
			return invalidField("settings."+cost.field, fmt.Sprintf("at most %d", diary.LargestWeight/3))
		}
	}
	for i, r := range v.GetReserves() {
		field := fmt.Sprintf("settings.reserves[%d]", i)
		switch {
		case r.GetToMinute() <= r.GetFromMinute():
			return fault.Invalid(vw.ErrorReason_ERROR_REASON_END_BEFORE_START, field+".to_minute", "a minute after from_minute")
		case r.GetFromMinute()%diary.Grid != 0 || r.GetToMinute()%diary.Grid != 0:
			return invalidField(field+".from_minute", fmt.Sprintf("times on the grid of %d minutes", diary.Grid))
		case r.GetReleaseMinute() != v.GetReserves()[0].GetReleaseMinute():
			return invalidField(field+".release_minute", "the same minute for every reserve: the practice has one hour at which it lets go")
		}
		if name := r.GetResource(); name != "" {
			if _, err := ownerFromProto(c, field+".resource", name, setup); err != nil {
				return err
			}
		}
		for j, o := range v.GetReserves()[:i] {
			if o.GetWeekday() == r.GetWeekday() && o.GetResource() == r.GetResource() && o.GetFromMinute() < r.GetToMinute() && r.GetFromMinute() < o.GetToMinute() {
				return fault.Invalid(vw.ErrorReason_ERROR_REASON_HOURS_OVERLAP, field, fmt.Sprintf("a span that does not overlap reserves[%d]", j))
			}
		}
	}
	return nil
}
