package cli

import (
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// SettingsCommand shows or changes the practice's settings.
type SettingsCommand struct {
	Show   SettingsShow   `cmd:"" default:"1" help:"Show the settings."`
	Change SettingsChange `cmd:"" help:"Change settings; what is not given stays."`
}

// SettingsShow shows the settings.
type SettingsShow struct{}

func (s *Session) settings() (*vw.PracticeSettings, error) {
	return s.planner().GetPracticeSettings(s.Context, &vw.GetPracticeSettingsRequest{Name: s.parent() + "/settings"})
}

// Settings reads the practice's settings.
func Settings(s *Session) (*vw.PracticeSettings, error) { return s.settings() }

// UseSettings gives the practice of a session the settings of another.
func UseSettings(s *Session, own *vw.PracticeSettings) error {
	was, err := s.settings()
	if err != nil {
		return err
	}
	own = proto.CloneOf(own)
	own.Name, own.Etag, own.UpdateTime = was.GetName(), was.GetEtag(), nil
	mask := &fieldmaskpb.FieldMask{}
	fields := own.ProtoReflect().Descriptor().Fields()
	for i := range fields.Len() {
		if name := string(fields.Get(i).Name()); name != "name" && name != "etag" && name != "update_time" {
			mask.Paths = append(mask.Paths, name)
		}
	}
	_, err = s.planner().UpdatePracticeSettings(s.Context, &vw.UpdatePracticeSettingsRequest{Settings: own, UpdateMask: mask})
	return err
}

// Run shows the settings.
func (c *SettingsShow) Run(s *Session) error {
	settings, err := s.settings()
	if err != nil {
		return err
	}
	return s.Show(settings, func(p *Page) { ShowSettings(p, settings) })
}

// ShowSettings writes the settings.
func ShowSettings(p *Page, s *vw.PracticeSettings) {
	p.Title("How this practice works")
	p.Field("practice", "%s", s.GetTitle())
	p.Field("zone", "%s", s.GetZone())
	p.Field("teeth are shown", "%s", words(s.GetNotation().String(), "TOOTH_NOTATION_"))
	if g := s.GetGrid(); g != nil {
		p.Field("lengths booked", "%d to %d min, in steps of %d", g.GetLeast(), g.GetMost(), g.GetStep())
	}
	if c := s.GetCost(); c != nil {
		p.Field("weighs", "work %g, overrun %g, unused %g a minute; a further visit %g, a booking not needed %g (in minutes of work)",
			c.GetWork(), c.GetOverrun(), c.GetIdle(), c.GetVisit(), c.GetUnused())
	}
	p.Field("difficulty form", "%s", orElse(s.GetDifficultyEdition(), "as shipped"))
	p.Field("anaesthetic", "%s", orElse(s.GetAnaestheticProfile(), "as shipped"))
	if s.CartridgeMl != nil {
		p.Field("cartridge", "%g ml", s.GetCartridgeMl())
	}
	for i, a := range s.GetAnaesthetics() {
		name := "injected"
		if i > 0 {
			name = ""
		}
		p.Field(name, "%s", solutionWords(a))
	}
	p.Field("dressing", "%s", orElse(words(s.GetDressing(), ""), "as shipped"))
	p.Field("temporary", "%s", orElse(words(s.GetTemporary(), ""), "as shipped"))
	if s.GetUrgentInstruction() != "" {
		p.Field("urgent care", "%s", s.GetUrgentInstruction())
	}
	microscope := "used"
	if !s.GetMicroscope() {
		microscope = "not used"
	}
	p.Field("microscope", "%s", microscope)
	if s.GetCoreSameVisit() {
		p.Field("core", "in the visit that fills")
	}
	if n := s.GetHorizon(); n > 0 {
		p.Field("plans follow", "%d visits", n)
	}
	p.Field("clinician figures", "seen by %s", seenBy(s.GetClinicianFigures()))
	if len(s.GetStepsOff()) > 0 {
		var list []string
		for _, id := range s.GetStepsOff() {
			list = append(list, words(id, ""))
		}
		p.Field("not done here", "%s", strings.Join(list, ", "))
	}
	for _, own := range s.GetSequences() {
		var list []string
		for _, step := range own.GetSteps() {
			longer := ""
			if step.GetMinutes().GetScaled() {
				longer = ", longer on a hard tooth"
			}
			list = append(list, fmt.Sprintf("%s (%g min%s)", step.GetTitle(), step.GetMinutes().GetMedian(), longer))
		}
		p.Field("own "+words(own.GetSequence(), ""), "%s", strings.Join(list, ", "))
	}
	if len(s.GetChairInstructions()) > 0 {
		p.Heading("Own instructions for the chair")
		for _, i := range s.GetChairInstructions() {
			p.Item("%s: %s", words(i.GetEvent(), ""), i.GetText())
		}
	}
	if len(s.GetOverrides()) == 0 {
		p.Field("own figures", "none: the figures that ship are used")
		return
	}
	p.Heading("Own figures")
	for _, o := range s.GetOverrides() {
		p.Item("%s = %g (%s)", o.GetFigure(), o.GetValue(), o.GetSource())
	}
}

// solutionWords is an anaesthetic as people say it.
func solutionWords(a *vw.AnaestheticSolution) string {
	text := fmt.Sprintf("%s %g %%", words(a.GetAgent(), ""), a.GetPercent())
	if a.GetOneIn() > 0 {
		text += fmt.Sprintf(" with %s 1:%d", words(a.GetVasoconstrictor(), ""), a.GetOneIn())
	}
	if a.GetCartridgeMl() > 0 {
		text += fmt.Sprintf(", cartridge of %g ml", a.GetCartridgeMl())
	}
	return text
}

func seenBy(f vw.FiguresSeenBy) string {
	switch f {
	case vw.FiguresSeenBy_FIGURES_SEEN_BY_MANAGER:
		return "the clinician and the manager"
	case vw.FiguresSeenBy_FIGURES_SEEN_BY_CLINICIANS:
		return "all clinicians and the manager"
	}
	return "the clinician alone"
}
