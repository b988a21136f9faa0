package cli

import (
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"

	"google.golang.org/protobuf/encoding/protojson"
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

// Run shows the settings.
func (c *SettingsShow) Run(s *Session) error {
	settings, err := s.settings()
	if err != nil {
		return err
	}
	return s.show(settings, func(p *Page) { ShowSettings(p, settings) })
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
	Without     []string `help:"A step that is not done here, ID (catalogue steps). Repeat." placeholder:"ID"`
	Takes       []string `help:"Minutes a step takes here, ID=MEDIAN or ID=MEDIAN/LOGSD. Repeat." placeholder:"ID=MIN"`
	Because     string   `help:"On what the changed figures rest; kept as their source." default:"set by the practice" placeholder:"TEXT"`
}

// Run changes what was given.
func (c *SettingsChange) Run(s *Session) error {
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
	return s.show(now, func(p *Page) { ShowSettings(p, now) })
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
	if len(c.Without)+len(c.Takes) > 0 {
		settings.Overrides = append(settings.Overrides, was.GetOverrides()...)
		for _, step := range c.Without {
			settings.Overrides = append(settings.Overrides, &vw.FigureOverride{Subject: step, Source: c.Because, Change: &vw.FigureOverride_SwitchedOff{SwitchedOff: true}})
		}
		for _, text := range c.Takes {
			override, err := parseTakes(text)
			if err != nil {
				return nil, nil, err
			}
			override.Source = c.Because
			settings.Overrides = append(settings.Overrides, override)
		}
		mask.Paths = append(mask.Paths, "overrides")
	}
	if len(mask.Paths) == 0 {
		return nil, nil, usage("nothing to change was given")
	}
	return settings, mask, nil
}

// parseTakes reads "shape=8" or "shape=8/0.35".
func parseTakes(text string) (*vw.FigureOverride, error) {
	step, value, found := strings.Cut(text, "=")
	median, spread, withSpread := strings.Cut(value, "/")
	m := &vw.Minutes{Scaled: true}
	var err error
	if m.Median, err = strconv.ParseFloat(median, 64); !found || step == "" || err != nil {
		return nil, usage("--takes %q: want STEP=MINUTES, for example shape=8, or STEP=MINUTES/LOGSD", text)
	}
	if withSpread {
		if m.LogSd, err = strconv.ParseFloat(spread, 64); err != nil {
			return nil, usage("--takes %q: the spread after / is not a number", text)
		}
	}
	return &vw.FigureOverride{Subject: step, Change: &vw.FigureOverride_Minutes{Minutes: m}}, nil
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
	p.Field("difficulty form", "%s", s.GetDifficultyEdition())
	p.Field("anaesthetic", "%s, cartridge %g ml", s.GetAnaestheticProfile(), s.GetCartridgeMl())
	p.Field("dressing", "%s", words(s.GetDressing(), ""))
	p.Field("temporary", "%s", words(s.GetTemporary(), ""))
	if s.GetUrgentInstruction() != "" {
		p.Field("urgent care", "%s", s.GetUrgentInstruction())
	}
	if len(s.GetOverrides()) == 0 {
		p.Field("own figures", "none: the figures that ship are used")
		return
	}
	p.Heading("Own figures")
	for _, o := range s.GetOverrides() {
		where := ""
		if o.GetProtocol() != "" {
			where = " in " + words(o.GetProtocol(), "")
		}
		switch change := o.GetChange().(type) {
		case *vw.FigureOverride_SwitchedOff:
			p.Item("%s%s is not done here (%s)", words(o.GetSubject(), ""), where, o.GetSource())
		case *vw.FigureOverride_Minutes:
			p.Item("%s%s takes %g min in the middle (%s)", words(o.GetSubject(), ""), where, change.Minutes.GetMedian(), o.GetSource())
		case *vw.FigureOverride_Probability:
			p.Item("%s%s: %s (%s)", words(o.GetSubject(), ""), where, chance(change.Probability), o.GetSource())
		}
	}
}
