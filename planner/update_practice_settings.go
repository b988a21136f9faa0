package planner

import (
	"context"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// settable are the settings that an update may set.
var settable = []string{
	"title", "zone", "notation", "grid", "cost", "anaesthetic_profile", "anaesthetics", "cartridge_ml", "difficulty_edition", "dressing",
	"temporary", "overrides", "steps_off", "sequences", "microscope", "horizon", "core_same_visit", "urgent_instruction", "chair_instructions",
	"clinician_figures", "week_start", "date_order",
}

// UpdatePracticeSettings changes the settings.
func (s *Service) UpdatePracticeSettings(ctx context.Context, r *vw.UpdatePracticeSettingsRequest) (*vw.PracticeSettings, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	want := r.GetSettings()
	if _, err := caller.One(names.SettingsPattern, "settings.name", want.GetName(), vw.ErrorReason_ERROR_REASON_PRACTICE_NOT_FOUND); err != nil {
		return nil, err
	}
	if err := etagNeeded("settings.etag", want.GetEtag()); err != nil {
		return nil, err
	}
	set, err := masked(r.GetUpdateMask(), want, settable...)
	if err != nil {
		return nil, err
	}
	p, err := s.store.GetPractice(ctx, caller.Reading())
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	next, err := settingsToProto(p)
	if err != nil {
		return nil, err
	}
	overlay(next, want, set)
	if err := s.checkSettings(next); err != nil {
		return nil, err
	}
	if r.GetValidateOnly() {
		if p.Etag != want.GetEtag() {
			return nil, fault.Stale(vw.ErrorReason_ERROR_REASON_ETAG_MISMATCH, want.GetName(), "changed by somebody else since it was read")
		}
		return next, withDefaults(next)
	}
	document, err := settingsDocument(p.Settings, next)
	if err != nil {
		return nil, err
	}
	kept, err := s.store.UpdatePractice(ctx, caller.Call, store.PracticeUpdate{
		Etag: want.GetEtag(), Name: pick(set, "title", next.GetTitle()), Zone: pick(set, "zone", next.GetZone()),
		Notation: pick(set, "notation", notationFromProto(next.GetNotation())), Settings: document,
	})
	if err != nil {
		return nil, s.fault(err, caller, settingsPaths)
	}
	s.notation.learn(kept, s.now())
	out, err := settingsToProto(kept)
	if err != nil {
		return nil, err
	}
	return out, withDefaults(out)
}

// overlay copies the fields that are set from one message to another of the
// same type; a field that is not populated is cleared.
func overlay(to, from proto.Message, set fields) {
	dst, src := to.ProtoReflect(), from.ProtoReflect()
	for name := range set {
		f := dst.Descriptor().Fields().ByName(protoreflect.Name(name))
		if f == nil {
			continue
		}
		if src.Has(f) {
			dst.Set(f, src.Get(f))
		} else {
			dst.Clear(f)
		}
	}
}
