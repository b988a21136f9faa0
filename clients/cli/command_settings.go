package cli

import (
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/protobuf/encoding/protojson"
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

// SettingsChange changes settings.
type SettingsChange struct {
	File        string   `help:"Settings in JSON, as -o json shows them; every field in it is set." placeholder:"FILE"`
	Title       string   `help:"How the practice calls itself." placeholder:"TEXT"`
	Zone        string   `help:"Time zone, for example Europe/Vienna." placeholder:"ZONE"`
	Notation    string   `help:"How teeth are shown: iso, universal or quadrant." enum:",iso,universal,quadrant" default:"" placeholder:"NAME"`
	Anaesthetic string   `help:"Anaesthetic profile of the country (catalogue anaesthetic-profiles)." placeholder:"ID"`
	Dressing    string   `help:"Dressing used between visits (catalogue medicaments)." placeholder:"ID"`
	Temporary   string   `help:"Temporary restoration (catalogue temporaries)." placeholder:"ID"`
	Microscope  *bool    `negatable:"" help:"A microscope is used."`
	Without     []string `help:"A step that is not done here, ID (catalogue steps). Repeat." sep:"none" placeholder:"ID"`
	Figure      []string `help:"A figure as it is here, PATH=VALUE, for example steps.shape.median=8 (catalogue figures). Repeat." sep:"none" placeholder:"PATH=VALUE"`
	Because     string   `help:"On what the changed figures rest; kept as their source." default:"set by the practice" placeholder:"TEXT"`
}

// Run changes what was given.
func (c *SettingsChange) Run(s *Session) error {
	// What is wrong with the flags is said before anything is asked.
	if _, _, err := c.changed(&vw.PracticeSettings{}); err != nil {
		return err
	}
	was, err := s.settings()
	if err != nil {
		return err
	}
	settings, mask, err := c.changed(was)
	if err != nil {
		return err
	}
	settings.Name, settings.Etag = was.GetName(), was.GetEtag()
	now, err := s.planner().UpdatePracticeSettings(s.Context, &vw.UpdatePracticeSettingsRequest{Settings: settings, UpdateMask: mask})
	if err != nil {
		return err
	}
	return s.Show(now, func(p *Page) { ShowSettings(p, now) })
}

func (c *SettingsChange) changed(was *vw.PracticeSettings) (*vw.PracticeSettings, *fieldmaskpb.FieldMask, error) {
	settings := &vw.PracticeSettings{}
	if c.File != "" {
		f, err := os.Open(c.File)
		if err != nil {
			return nil, nil, usage("--file: %v", err)
		}
		defer func() { _ = f.Close() }() // read only
		text, err := io.ReadAll(io.LimitReader(f, MaxCaseFile+1))
		switch {
		case err != nil:
			return nil, nil, fmt.Errorf("settings file: %w", err)
		case len(text) > MaxCaseFile:
			return nil, nil, usage("the settings file is larger than %d KiB", MaxCaseFile>>10)
		}
		if err := protojson.Unmarshal(text, settings); err != nil {
			return nil, nil, usage("settings file: %v", err)
		}
		return settings, nil, nil // no mask: every populated field
	}
	mask := &fieldmaskpb.FieldMask{}
	for _, f := range []struct {
		path, value string
		into        *string
	}{
		{"title", c.Title, &settings.Title}, {"zone", c.Zone, &settings.Zone}, {"anaesthetic_profile", c.Anaesthetic, &settings.AnaestheticProfile},
		{"dressing", c.Dressing, &settings.Dressing}, {"temporary", c.Temporary, &settings.Temporary},
	} {
		if f.value != "" {
			*f.into = f.value
			mask.Paths = append(mask.Paths, f.path)
		}
	}
	if c.Notation != "" {
		settings.Notation = vw.ToothNotation(vw.ToothNotation_value["TOOTH_NOTATION_"+strings.ToUpper(c.Notation)])
		mask.Paths = append(mask.Paths, "notation")
	}
	if c.Microscope != nil {
		settings.Microscope = *c.Microscope
		mask.Paths = append(mask.Paths, "microscope")
	}
	if len(c.Without) > 0 {
		settings.StepsOff = append(slices.Clone(was.GetStepsOff()), c.Without...)
		mask.Paths = append(mask.Paths, "steps_off")
	}
	if len(c.Figure) > 0 {
		settings.Overrides = slices.Clone(was.GetOverrides())
		for _, text := range c.Figure {
			override, err := parseFigure(text)
			if err != nil {
				return nil, nil, err
			}
			override.Source = c.Because
			settings.Overrides = replaceFigure(settings.Overrides, override)
		}
		mask.Paths = append(mask.Paths, "overrides")
	}
	if len(mask.Paths) == 0 {
		return nil, nil, usage("nothing to change was given")
	}
	return settings, mask, nil
}

// parseFigure reads "steps.shape.median=8".
func parseFigure(text string) (*vw.FigureOverride, error) {
	path, value, found := strings.Cut(text, "=")
	number, err := strconv.ParseFloat(value, 64)
	if !found || path == "" || err != nil {
		return nil, usage("--figure %q: want PATH=VALUE with a number, for example steps.shape.median=8", text)
	}
	return &vw.FigureOverride{Figure: path, Value: number}, nil
}

// replaceFigure sets one figure; the practice has one value for each.
func replaceFigure(list []*vw.FigureOverride, with *vw.FigureOverride) []*vw.FigureOverride {
	for i, o := range list {
		if o.GetFigure() == with.GetFigure() {
			list[i] = with
			return list
		}
	}
	return append(list, with)
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
	if len(s.GetStepsOff()) > 0 {
		var list []string
		for _, id := range s.GetStepsOff() {
			list = append(list, words(id, ""))
		}
		p.Field("not done here", "%s", strings.Join(list, ", "))
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
