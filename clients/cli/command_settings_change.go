package cli

import (
	"fmt"
	"io"
	"os"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/genproto/googleapis/type/dayofweek"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"github.com/visitwright/visitwright/clients/ownstep"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// SettingsChange changes settings, by flags or by a file that holds them all.
type SettingsChange struct {
	File        string   `help:"Settings in JSON, as -o json shows them; every field in it is set." placeholder:"FILE"`
	Title       string   `help:"How the practice calls itself." placeholder:"TEXT"`
	Zone        string   `help:"Time zone, for example Europe/Vienna." placeholder:"ZONE"`
	Notation    string   `help:"How teeth are shown: iso, universal or quadrant." enum:",iso,universal,quadrant" default:"" placeholder:"NAME"`
	WeekStart   string   `help:"Day on which a week begins where weeks are shown, for example monday." enum:",monday,tuesday,wednesday,thursday,friday,saturday,sunday" default:"" placeholder:"DAY"`
	DateOrder   string   `help:"How days are written: day-month, month-day or year-first." enum:",day-month,month-day,year-first" default:"" placeholder:"NAME"`
	Grid        string   `help:"Lengths that are booked, in minutes: shortest-longest/step." placeholder:"30-180/15"`
	Cost        []string `help:"What is weighed, in minutes of work: work, overrun and idle for each minute, visit for a further visit, unused for a booking not needed. Repeat." sep:"none" placeholder:"NAME=N"`
	Edition     string   `help:"Edition of the difficulty form (catalogue difficulty-editions)." placeholder:"ID"`
	Anaesthetic string   `help:"Anaesthetic profile of the country (catalogue anaesthetic-profiles)." placeholder:"ID"`
	Cartridge   *float64 `help:"Volume of a cartridge in ml, 1 to 2.5." placeholder:"ML"`
	Inject      []string `help:"What is injected here, the usual one first: AGENT=PERCENT, with @VASOCONSTRICTOR:DILUTION when it has one, for example articaine=4@epinephrine:200000. Replaces the list. Repeat." sep:"none" placeholder:"AGENT=N"`
	Dressing    string   `help:"Dressing used between visits (catalogue medicaments)." placeholder:"ID"`
	Temporary   string   `help:"Temporary restoration (catalogue temporaries)." placeholder:"ID"`
	Microscope  *bool    `negatable:"" help:"A microscope is used."`
	CoreSame    *bool    `name:"core-same-visit" negatable:"" help:"The core is part of the visit that fills."`
	Horizon     *int32   `help:"Visits that a plan follows, 2 to 8; 0 for what ships." placeholder:"N"`
	Urgent      *string  `name:"urgent-instruction" help:"What patients and staff are told first when a red flag is raised." placeholder:"TEXT"`
	Instruct    []string `help:"What to do first when something happens in the chair, EVENT=TEXT (catalogue chair-events). Repeat." sep:"none" placeholder:"EVENT=TEXT"`
	NoInstruct  []string `help:"Take an own instruction back, EVENT. Repeat." sep:"none" placeholder:"EVENT"`
	FiguresFor  string   `name:"clinician-figures" help:"Who sees the figures of one clinician: owner, manager or clinicians." enum:",owner,manager,clinicians" default:"" placeholder:"WHO"`
	Without     []string `help:"A step that is not done here, ID (catalogue steps). Repeat." sep:"none" placeholder:"ID"`
	With        []string `help:"A step that is done here again, ID. Repeat." sep:"none" placeholder:"ID"`
	OwnStep     []string `help:"A step of a sequence of the practice's own, done on every canal: SEQUENCE/ID=MINUTES[~SPREAD][,scaled]:WORDS, for example irrigation/our-rinse=2~0.2:\"hypochlorite, warmed\". ID is new, MINUTES the usual ones on one canal, SPREAD 0.1 for something timed by the clock (what is meant without one), 0.35 for usual work (with scaled), 0.6 for what varies much; scaled when a hard tooth and a slow day stretch it. The steps given, in their order, replace the whole sequence. Repeat." sep:"none" placeholder:"STEP"`
	NoSequence  []string `help:"Take an own sequence of steps back, for example irrigation: the steps that ship are used again. Repeat." sep:"none" placeholder:"ID"`
	Figure      []string `help:"A figure as it is here, PATH=VALUE, for example steps.shape.median=8 (catalogue figures). Repeat." sep:"none" placeholder:"PATH=VALUE"`
	NoFigure    []string `help:"Take an own figure back: the one that ships is used again. Repeat." sep:"none" placeholder:"PATH"`
	Because     string   `help:"On what the changed figures rest; kept as their source." default:"set by the practice" placeholder:"TEXT"`
}

// Run changes what was given.
func (c *SettingsChange) Run(s *Session) error {
	// What is wrong with the flags is said before anything is asked. What is
	// taken back is compared with what is there, and therefore later.
	if len(c.With)+len(c.NoFigure)+len(c.NoInstruct)+len(c.NoSequence) == 0 {
		if _, _, err := c.changed(&vw.PracticeSettings{}); err != nil {
			return err
		}
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

// settingsChange gathers what is set, and by which paths.
type settingsChange struct {
	*vw.PracticeSettings
	mask *fieldmaskpb.FieldMask
}

func (c settingsChange) given(path string) { c.mask.Paths = append(c.mask.Paths, path) }

func (c *SettingsChange) changed(was *vw.PracticeSettings) (*vw.PracticeSettings, *fieldmaskpb.FieldMask, error) {
	if c.File != "" {
		settings, err := readSettings(c.File)
		return settings, nil, err // no mask: every populated field
	}
	to := settingsChange{&vw.PracticeSettings{}, &fieldmaskpb.FieldMask{}}
	c.words(to)
	for _, part := range []func(settingsChange, *vw.PracticeSettings) error{c.lengths, c.costs, c.injections, c.instructions, c.steps, c.sequences, c.figures} {
		if err := part(to, was); err != nil {
			return nil, nil, err
		}
	}
	if len(to.mask.GetPaths()) == 0 {
		return nil, nil, usage("nothing to change was given")
	}
	return to.PracticeSettings, to.mask, nil
}

func readSettings(name string) (*vw.PracticeSettings, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, usage("--file: %v", err)
	}
	defer func() { _ = f.Close() }() // read only
	text, err := io.ReadAll(io.LimitReader(f, MaxCaseFile+1))
	switch {
	case err != nil:
		return nil, fmt.Errorf("settings file: %w", err)
	case len(text) > MaxCaseFile:
		return nil, usage("the settings file is larger than %d KiB", MaxCaseFile>>10)
	}
	settings := &vw.PracticeSettings{}
	if err := protojson.Unmarshal(text, settings); err != nil {
		return nil, usage("settings file: %v", err)
	}
	return settings, nil
}

// words sets what is a word, a number or a yes by itself.
func (c *SettingsChange) words(to settingsChange) {
	for _, f := range []struct {
		path, value string
		into        *string
	}{
		{"title", c.Title, &to.Title}, {"zone", c.Zone, &to.Zone}, {"anaesthetic_profile", c.Anaesthetic, &to.AnaestheticProfile},
		{"difficulty_edition", c.Edition, &to.DifficultyEdition}, {"dressing", c.Dressing, &to.Dressing}, {"temporary", c.Temporary, &to.Temporary},
	} {
		if f.value != "" {
			*f.into = f.value
			to.given(f.path)
		}
	}
	if c.Notation != "" {
		to.Notation = vw.ToothNotation(vw.ToothNotation_value["TOOTH_NOTATION_"+enumName(c.Notation)])
		to.given("notation")
	}
	if c.WeekStart != "" {
		to.WeekStart = dayofweek.DayOfWeek(dayofweek.DayOfWeek_value[strings.ToUpper(c.WeekStart)])
		to.given("week_start")
	}
	if c.DateOrder != "" {
		to.DateOrder = vw.DateOrder(vw.DateOrder_value["DATE_ORDER_"+enumName(c.DateOrder)])
		to.given("date_order")
	}
	if c.FiguresFor != "" {
		to.ClinicianFigures = vw.FiguresSeenBy(vw.FiguresSeenBy_value["FIGURES_SEEN_BY_"+enumName(c.FiguresFor)])
		to.given("clinician_figures")
	}
	if c.Microscope != nil {
		to.Microscope = *c.Microscope
		to.given("microscope")
	}
	if c.CoreSame != nil {
		to.CoreSameVisit = *c.CoreSame
		to.given("core_same_visit")
	}
	if c.Horizon != nil {
		to.Horizon = *c.Horizon
		to.given("horizon")
	}
	if c.Urgent != nil {
		to.UrgentInstruction = *c.Urgent
		to.given("urgent_instruction")
	}
	if c.Cartridge != nil {
		to.CartridgeMl = c.Cartridge
		to.given("cartridge_ml")
	}
}

// lengths reads "30-180/15".
func (c *SettingsChange) lengths(to settingsChange, _ *vw.PracticeSettings) error {
	if c.Grid == "" {
		return nil
	}
	span, step, stepped := strings.Cut(c.Grid, "/")
	least, most, both := strings.Cut(span, "-")
	g := &vw.LengthGrid{}
	for _, part := range []struct {
		text string
		into *int32
	}{{least, &g.Least}, {most, &g.Most}, {step, &g.Step}} {
		n, err := strconv.ParseInt(part.text, 10, 32)
		if err != nil || !stepped || !both {
			return usage("--grid %q: want SHORTEST-LONGEST/STEP in minutes, for example 30-180/15", c.Grid)
		}
		*part.into = int32(n)
	}
	to.Grid = g
	to.given("grid")
	return nil
}

// costs changes what was given of the cost and leaves the rest.
func (c *SettingsChange) costs(to settingsChange, was *vw.PracticeSettings) error {
	if len(c.Cost) == 0 {
		return nil
	}
	cost := &vw.Cost{}
	if was.GetCost() != nil {
		cost = proto.CloneOf(was.GetCost())
	}
	parts := map[string]*float64{"work": &cost.Work, "overrun": &cost.Overrun, "idle": &cost.Idle, "visit": &cost.Visit, "unused": &cost.Unused}
	for _, text := range c.Cost {
		name, value, _ := strings.Cut(text, "=")
		number, err := strconv.ParseFloat(value, 64)
		if parts[name] == nil || err != nil {
			return usage("--cost %q: want work, overrun, idle, visit or unused, = and a number, for example overrun=2", text)
		}
		*parts[name] = number
	}
	to.Cost = cost
	to.given("cost")
	return nil
}

// injections reads "articaine=4@epinephrine:200000".
func (c *SettingsChange) injections(to settingsChange, _ *vw.PracticeSettings) error {
	for _, text := range c.Inject {
		what, with, mixed := strings.Cut(text, "@")
		agent, strength, found := strings.Cut(what, "=")
		percent, err := strconv.ParseFloat(strength, 64)
		solution := &vw.AnaestheticSolution{Agent: agent, Percent: percent, Vasoconstrictor: "none"}
		if mixed && err == nil {
			name, dilution, _ := strings.Cut(with, ":")
			var n int64
			n, err = strconv.ParseInt(dilution, 10, 32)
			solution.Vasoconstrictor, solution.OneIn = name, int32(n)
		}
		if !found || agent == "" || err != nil {
			return usage("--inject %q: want AGENT=PERCENT or AGENT=PERCENT@VASOCONSTRICTOR:DILUTION, for example articaine=4@epinephrine:200000", text)
		}
		to.Anaesthetics = append(to.Anaesthetics, solution)
	}
	if len(c.Inject) > 0 {
		to.given("anaesthetics")
	}
	return nil
}

// instructions sets own instructions and takes others back.
func (c *SettingsChange) instructions(to settingsChange, was *vw.PracticeSettings) error {
	if len(c.Instruct)+len(c.NoInstruct) == 0 {
		return nil
	}
	of := func(event string) func(*vw.ChairInstruction) bool {
		return func(i *vw.ChairInstruction) bool { return i.GetEvent() == event }
	}
	to.ChairInstructions = slices.Clone(was.GetChairInstructions())
	for _, event := range c.NoInstruct {
		if !slices.ContainsFunc(to.ChairInstructions, of(event)) {
			return usage("--no-instruct %q: the practice has no instruction of its own for it", event)
		}
		to.ChairInstructions = slices.DeleteFunc(to.ChairInstructions, of(event))
	}
	for _, line := range c.Instruct {
		event, text, found := strings.Cut(line, "=")
		if !found || event == "" || text == "" {
			return usage("--instruct %q: want EVENT=TEXT, for example separated-instrument=\"Stop, image, call the senior.\"", line)
		}
		to.ChairInstructions = append(slices.DeleteFunc(to.ChairInstructions, of(event)), &vw.ChairInstruction{Event: event, Text: text})
	}
	to.given("chair_instructions")
	return nil
}

// steps switches steps off and on again.
func (c *SettingsChange) steps(to settingsChange, was *vw.PracticeSettings) error {
	if len(c.Without)+len(c.With) == 0 {
		return nil
	}
	to.StepsOff = slices.Clone(was.GetStepsOff())
	for _, id := range c.With {
		at := slices.Index(to.StepsOff, id)
		if at < 0 {
			return usage("--with %q: the step is not switched off; off are %s", id, orElse(strings.Join(was.GetStepsOff(), ", "), "none"))
		}
		to.StepsOff = slices.Delete(to.StepsOff, at, at+1)
	}
	for _, id := range c.Without {
		if !slices.Contains(to.StepsOff, id) {
			to.StepsOff = append(to.StepsOff, id)
		}
	}
	to.given("steps_off")
	return nil
}

// sequences sets own sequences, each as a whole, and takes others back.
func (c *SettingsChange) sequences(to settingsChange, was *vw.PracticeSettings) error {
	if len(c.NoSequence)+len(c.OwnStep) == 0 {
		return nil
	}
	of := func(id string) func(*vw.OwnSequence) bool {
		return func(s *vw.OwnSequence) bool { return s.GetSequence() == id }
	}
	to.Sequences = slices.Clone(was.GetSequences())
	for _, id := range c.NoSequence {
		if !slices.ContainsFunc(to.Sequences, of(id)) {
			return usage("--no-sequence %q: the practice has no such sequence of its own", id)
		}
		to.Sequences = slices.DeleteFunc(to.Sequences, of(id))
	}
	var given []*vw.OwnSequence
	for _, text := range c.OwnStep {
		id, line, found := strings.Cut(text, "/")
		if !found || id == "" || strings.ContainsAny(id, "=:") {
			return usage("--own-step %q: want SEQUENCE/%s, for example irrigation/%s", text, ownstep.Form, ownstep.Example)
		}
		step, err := ownstep.Parse(line)
		if err != nil {
			return usage("--own-step %q: %v", text, err)
		}
		at := slices.IndexFunc(given, of(id))
		if at < 0 {
			at = len(given)
			given = append(given, &vw.OwnSequence{Sequence: id})
		}
		given[at].Steps = append(given[at].Steps, step)
	}
	for _, own := range given {
		to.Sequences = append(slices.DeleteFunc(to.Sequences, of(own.GetSequence())), own)
	}
	to.given("sequences")
	return nil
}

// figures sets own figures and takes others back.
func (c *SettingsChange) figures(to settingsChange, was *vw.PracticeSettings) error {
	if len(c.Figure)+len(c.NoFigure) == 0 {
		return nil
	}
	of := func(path string) func(*vw.FigureOverride) bool {
		return func(o *vw.FigureOverride) bool { return o.GetFigure() == path }
	}
	to.Overrides = slices.Clone(was.GetOverrides())
	for _, path := range c.NoFigure {
		if !slices.ContainsFunc(to.Overrides, of(path)) {
			return usage("--no-figure %q: the practice has no figure of its own there", path)
		}
		to.Overrides = slices.DeleteFunc(to.Overrides, of(path))
	}
	for _, text := range c.Figure {
		override, err := parseFigure(text)
		if err != nil {
			return err
		}
		override.Source = c.Because
		to.Overrides = replaceFigure(to.Overrides, override)
	}
	to.given("overrides")
	return nil
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
