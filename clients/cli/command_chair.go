package cli

import (
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// ChairCommand runs a visit from the chair.
type ChairCommand struct {
	Begin      ChairBegin      `cmd:"" help:"Begin a visit: identity and alerts are confirmed."`
	Show       ChairShow       `cmd:"" default:"withargs" help:"Show a visit: where it stands, odds, minutes to spare, finish or dress."`
	List       ChairList       `cmd:"" help:"List the visits of a case."`
	Step       ChairStep       `cmd:"" help:"Mark a step as done, or as begun."`
	Stage      ChairStage      `cmd:"" help:"Catch up: everything to the end of this stage is done."`
	Event      ChairEvent      `cmd:"" help:"Mark a chair event: a further canal, a ledge, a canal that will not dry ..."`
	Canal      ChairCanal      `cmd:"" help:"Record a canal: state, zero, working length, last file."`
	Check      ChairCheck      `cmd:"" help:"Answer the ready-to-fill check."`
	Inject     ChairInject     `cmd:"" help:"Record local anaesthetic; the running total follows."`
	Radiograph ChairRadiograph `cmd:"" help:"Record a radiograph with its justification."`
	Consent    ChairConsent    `cmd:"" help:"Record what the patient agreed to in the chair."`
	Pause      ChairPause      `cmd:"" help:"The work rests."`
	Resume     ChairResume     `cmd:"" help:"The work goes on."`
	Undo       ChairUndo       `cmd:"" help:"Take an entry back, until the visit ends."`
	End        ChairEnd        `cmd:"" help:"End the visit with what was placed."`
	Log        ChairLog        `cmd:"" help:"Change the log of a visit that has ended; the earlier entries stay."`
	Replan     ChairReplan     `cmd:"" help:"Plan the rest of the treatment anew, and say what that does to the bookings."`
	Stop       ChairStop       `cmd:"" help:"Stop the treatment: relief and seal, bookings cancelled, report. Clinicians only."`
}

// VisitArg names a visit: the newest of a case unless a number is given.
type VisitArg struct {
	Case  string `arg:"" help:"Id of the case."`
	Visit int32  `help:"Number of the visit; without it the newest." placeholder:"N"`
}

func (a *VisitArg) name(s *Session) (string, error) {
	parent := s.name("cases", a.Case)
	if a.Visit > 0 {
		return fmt.Sprintf("%s/visits/%d", parent, a.Visit), nil
	}
	reply, err := s.Client.Chair.ListVisits(s.Context, &vw.ListVisitsRequest{Parent: parent, PageSize: 1})
	if err != nil {
		return "", err
	}
	if len(reply.GetVisits()) == 0 {
		return "", fmt.Errorf("case %s has no visit yet: `visitwright chair begin %s` begins one", shortID(parent), shortID(parent))
	}
	return reply.GetVisits()[0].GetName(), nil
}

// MarkFlags says which visit an entry belongs to and when it happened.
type MarkFlags struct {
	VisitArg
	Minute *float64 `help:"When it happened, in minutes since the visit began; without it now." placeholder:"MIN"`
	Late   bool     `help:"The entry comes late and belongs between earlier ones."`
}

// mark keeps one entry and shows the visit as it is then.
func (f *MarkFlags) mark(s *Session, fill func(m *vw.ChairMark)) error {
	visit, err := f.keep(s, fill)
	if err != nil {
		return err
	}
	return s.showVisit(visit)
}

// keep keeps one entry.
func (f *MarkFlags) keep(s *Session, fill func(m *vw.ChairMark)) (*vw.ChairVisit, error) {
	name, err := f.name(s)
	if err != nil {
		return nil, err
	}
	m := &vw.ChairMark{Id: uuid.NewString(), Late: f.Late}
	if f.Minute != nil {
		visit, err := s.Client.Chair.GetVisit(s.Context, &vw.GetVisitRequest{Name: name})
		if err != nil {
			return nil, err
		}
		m.Time = timestamppb.New(visit.GetBeginTime().AsTime().Add(time.Duration(*f.Minute * float64(time.Minute))))
	}
	fill(m)
	return s.Client.Chair.AddMarks(s.Context, &vw.AddMarksRequest{Name: name, Marks: []*vw.ChairMark{m}})
}

func (s *Session) showVisit(v *vw.ChairVisit) error {
	return s.Show(v, func(p *Page) { ShowChair(p, v) })
}

// ChairBegin begins a visit.
type ChairBegin struct {
	Case        string `arg:"" help:"Id of the case."`
	Confirmed   bool   `help:"The patient's identity was checked with a second identifier, the tooth compared, and every alert confirmed."`
	Appointment string `help:"The appointment: id; without it the patient came without one." placeholder:"ID"`
	Minutes     int32  `help:"Minutes that there are; without it those of the appointment, else of the plan." placeholder:"MIN"`
	Number      int32  `help:"Which visit of the option; without it the next." placeholder:"N"`
	Option      string `help:"Id of the option, with --number; without it the accepted one." placeholder:"ID"`
}

// Run begins the visit.
func (c *ChairBegin) Run(s *Session) error {
	request := &vw.BeginVisitRequest{Parent: s.name("cases", c.Case), AppointmentMinutes: c.Minutes, IdentityConfirmed: c.Confirmed, AlertsConfirmed: c.Confirmed}
	if c.Appointment != "" {
		request.Appointment = s.name("appointments", c.Appointment)
	}
	if c.Number > 0 {
		plan, err := s.plan(c.Case, 0)
		if err != nil {
			return err
		}
		request.Part = &vw.VisitPart{Plan: plan, Option: c.Option, Visit: c.Number}
	}
	visit, err := s.Client.Chair.BeginVisit(s.Context, request)
	if err != nil {
		return err
	}
	return s.showVisit(visit)
}

// ChairShow shows a visit.
type ChairShow struct {
	VisitArg
	Minute *float64 `help:"As it stood at this minute of the visit; without it now." placeholder:"MIN"`
}

// Run shows the visit.
func (c *ChairShow) Run(s *Session) error {
	name, err := c.name(s)
	if err != nil {
		return err
	}
	visit, err := s.Client.Chair.GetVisit(s.Context, &vw.GetVisitRequest{Name: name})
	if err != nil {
		return err
	}
	if c.Minute != nil {
		at := visit.GetBeginTime().AsTime().Add(time.Duration(*c.Minute * float64(time.Minute)))
		if visit, err = s.Client.Chair.GetVisit(s.Context, &vw.GetVisitRequest{Name: name, AtTime: timestamppb.New(at)}); err != nil {
			return err
		}
	}
	return s.showVisit(visit)
}

// ChairList lists visits.
type ChairList struct {
	Case string `arg:"" help:"Id of the case."`
	PageFlags
}

// Run lists the visits.
func (c *ChairList) Run(s *Session) error {
	reply, err := s.Client.Chair.ListVisits(s.Context, &vw.ListVisitsRequest{Parent: s.name("cases", c.Case), PageSize: c.Most, PageToken: c.After})
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) {
		var rows [][]string
		for _, v := range reply.GetVisits() {
			rows = append(rows, []string{shortID(v.GetName()), words(v.GetPhase().String(), "PHASE_"), v.GetBeginTime().AsTime().Format("2006-01-02 15:04"),
				minutes(float64(v.GetAppointmentMinutes())), minutes(v.GetChairMinutes()), v.GetTitle()})
		}
		p.list([]string{">visit", "phase", "began (UTC)", ">booked", ">in the chair", "what"}, rows, "visits", reply.GetNextPageToken())
	})
}

// ChairStep marks a step.
type ChairStep struct {
	MarkFlags
	Step  string `arg:"" help:"Id of the step (catalogue steps)."`
	Canal string `help:"Its canal, for steps done on each canal." placeholder:"NAME"`
	Begun bool   `help:"The step begins, rather than is done."`
}

// Run marks the step.
func (c *ChairStep) Run(s *Session) error {
	return c.mark(s, func(m *vw.ChairMark) {
		step := &vw.StepMark{Step: c.Step, Canal: c.Canal}
		if c.Begun {
			m.What = &vw.ChairMark_StepBegun{StepBegun: step}
			return
		}
		m.What = &vw.ChairMark_StepDone{StepDone: step}
	})
}

// ChairStage catches up.
type ChairStage struct {
	MarkFlags
	Stage string `arg:"" help:"Id of the stage (catalogue stages)."`
}

// Run marks the stage.
func (c *ChairStage) Run(s *Session) error {
	return c.mark(s, func(m *vw.ChairMark) { m.What = &vw.ChairMark_StageDone{StageDone: &vw.StageMark{Stage: c.Stage}} })
}

// ChairEvent marks a chair event.
type ChairEvent struct {
	MarkFlags
	Event string `arg:"" help:"Id of the event (catalogue chair-events)."`
	Canal string `help:"The canal." placeholder:"NAME"`
	Third string `help:"Where in the canal: coronal, middle or apical." enum:",coronal,middle,apical" default:"" placeholder:"THIRD"`
	Joins string `help:"The canal that it joins." placeholder:"NAME"`
}

// Run marks the event.
func (c *ChairEvent) Run(s *Session) error {
	return c.mark(s, func(m *vw.ChairMark) {
		m.What = &vw.ChairMark_Event{Event: &vw.EventMark{Event: c.Event, Canal: c.Canal, Third: c.Third, Partner: c.Joins}}
	})
}

// ChairCanal records a canal.
type ChairCanal struct {
	MarkFlags
	Canal     string   `arg:"" help:"Its name: MB, ML, D ..."`
	State     string   `help:"Its state (catalogue canal-states)." placeholder:"ID"`
	Patent    *bool    `negatable:"" help:"The apex is patent."`
	Zero      *float64 `help:"Apex locator zero in mm; the working length is preset to 0.5 mm less." placeholder:"MM"`
	Length    *float64 `help:"Working length in mm." placeholder:"MM"`
	Reference string   `help:"Reference point, for example \"MB cusp\"." placeholder:"TEXT"`
	File      *int32   `help:"Last file: its size." placeholder:"SIZE"`
	Taper     *float64 `help:"Last file: its taper, for example 0.04." placeholder:"TAPER"`
	Decided   string   `help:"Why a canal short of its length is accepted as it is." placeholder:"TEXT"`
}

// Run records the canal.
func (c *ChairCanal) Run(s *Session) error {
	return c.mark(s, func(m *vw.ChairMark) {
		m.What = &vw.ChairMark_Canal{Canal: &vw.CanalMark{Canal: c.Canal, State: c.State, Patent: c.Patent, ZeroMm: c.Zero, WorkingLengthMm: c.Length,
			ReferencePoint: c.Reference, FileSize: c.File, FileTaper: c.Taper, Decided: c.Decided}}
	})
}

// ChairCheck answers the ready-to-fill check.
type ChairCheck struct {
	MarkFlags
	Dry        *bool `negatable:"" help:"Every canal dries."`
	Quiet      *bool `negatable:"" help:"No pain, no swelling."`
	ToLength   *bool `negatable:"" help:"Every canal is to length, or decided."`
	Irrigation *bool `negatable:"" help:"Irrigation is done."`
	Numb       *bool `negatable:"" help:"The tooth is numb."`
	Covered    *bool `negatable:"" help:"Consent covers it."`
}

// Run keeps the answers; a question that is not answered stays open.
func (c *ChairCheck) Run(s *Session) error {
	check := &vw.CheckMark{Dry: c.Dry, Quiet: c.Quiet, ToLength: c.ToLength, Irrigation: c.Irrigation, Numb: c.Numb, Covered: c.Covered}
	if check.Dry == nil && check.Quiet == nil && check.ToLength == nil && check.Irrigation == nil && check.Numb == nil && check.Covered == nil {
		return usage("answer at least one question: --dry or --no-dry, --quiet, --to-length, --irrigation, --numb, --covered")
	}
	return c.mark(s, func(m *vw.ChairMark) { m.What = &vw.ChairMark_Check{Check: check} })
}

// ChairInject records an injection.
type ChairInject struct {
	MarkFlags
	Agent           string  `arg:"" help:"The agent (catalogue anaesthetics)."`
	Percent         float64 `arg:"" help:"Its strength in percent."`
	Cartridges      float64 `arg:"" help:"How many cartridges; half a cartridge is 0.5."`
	Vasoconstrictor string  `help:"The vasoconstrictor." default:"epinephrine" placeholder:"ID"`
	OneIn           int32   `help:"Its dilution, one in so many." default:"100000" placeholder:"N"`
	CartridgeML     float64 `name:"cartridge-ml" help:"Volume of a cartridge in ml; without it the practice's." placeholder:"ML"`
}

// Run records the injection and shows the limit with its arithmetic, before
// the next cartridge.
func (c *ChairInject) Run(s *Session) error {
	visit, err := c.keep(s, func(m *vw.ChairMark) {
		m.What = &vw.ChairMark_Injection{Injection: &vw.GivenAnaesthetic{Cartridges: c.Cartridges, Solution: &vw.AnaestheticSolution{
			Agent: c.Agent, Percent: c.Percent, CartridgeMl: c.CartridgeML, Vasoconstrictor: c.Vasoconstrictor, OneIn: c.OneIn}}}
	})
	if err != nil {
		return err
	}
	return s.Show(visit, func(p *Page) {
		p.Title("Given so far: %s", toothWords(visit.GetTooth()))
		for _, line := range visit.GetGiven() {
			p.Item("%s", line)
		}
		showAnaesthetic(p, visit.GetAnaesthetic())
	})
}

// ChairRadiograph records a radiograph.
type ChairRadiograph struct {
	MarkFlags
	Because string `required:"" help:"Its justification." placeholder:"TEXT"`
}

// Run records the radiograph.
func (c *ChairRadiograph) Run(s *Session) error {
	return c.mark(s, func(m *vw.ChairMark) {
		m.What = &vw.ChairMark_Radiograph{Radiograph: &vw.RadiographMark{Justification: c.Because}}
	})
}

// ChairConsent records consent in the chair.
type ChairConsent struct {
	MarkFlags
	Covers string `required:"" help:"What the patient agreed to." placeholder:"TEXT"`
}

// Run records the consent.
func (c *ChairConsent) Run(s *Session) error {
	return c.mark(s, func(m *vw.ChairMark) { m.What = &vw.ChairMark_Consent{Consent: &vw.ConsentMark{Covers: c.Covers}} })
}

// ChairPause pauses.
type ChairPause struct{ MarkFlags }

// Run pauses the visit.
func (c *ChairPause) Run(s *Session) error {
	return c.mark(s, func(m *vw.ChairMark) { m.What = &vw.ChairMark_Pause{Pause: &vw.PauseMark{}} })
}

// ChairResume resumes.
type ChairResume struct{ MarkFlags }

// Run resumes the visit.
func (c *ChairResume) Run(s *Session) error {
	return c.mark(s, func(m *vw.ChairMark) { m.What = &vw.ChairMark_Resume{Resume: &vw.ResumeMark{}} })
}

// ChairUndo takes an entry back.
type ChairUndo struct {
	VisitArg
	Mark   string `arg:"" optional:"" help:"Id of the entry, as -o json shows it; without it the last one."`
	Reason string `help:"Why." placeholder:"TEXT"`
}

// Run takes the entry back.
func (c *ChairUndo) Run(s *Session) error {
	name, err := c.name(s)
	if err != nil {
		return err
	}
	if c.Mark == "" {
		visit, err := s.Client.Chair.GetVisit(s.Context, &vw.GetVisitRequest{Name: name})
		if err != nil {
			return err
		}
		for _, m := range visit.GetMarks() {
			if !m.GetTakenBack() && m.GetTakeBack() == nil && m.GetBegin() == nil {
				c.Mark = m.GetId()
			}
		}
		if c.Mark == "" {
			return usage("there is no entry to take back")
		}
	}
	visit, err := s.Client.Chair.AddMarks(s.Context, &vw.AddMarksRequest{Name: name, Marks: []*vw.ChairMark{{
		Id: uuid.NewString(), What: &vw.ChairMark_TakeBack{TakeBack: &vw.TakeBackMark{Mark: c.Mark, Reason: c.Reason}}}}})
	if err != nil {
		return err
	}
	return s.showVisit(visit)
}

// ClosingFlags is what was placed at the end.
type ClosingFlags struct {
	Dressing  string  `help:"Dressing placed (catalogue medicaments); without it none." placeholder:"ID"`
	Temporary string  `help:"Temporary restoration placed (catalogue temporaries); without it none." placeholder:"ID"`
	Seal      float64 `help:"Thickness of the seal in mm." placeholder:"MM"`
	Forced    string  `help:"Why it had to end before its aim." placeholder:"TEXT"`
}

func (f *ClosingFlags) closing() *vw.VisitClosing {
	return &vw.VisitClosing{Medicament: f.Dressing, Temporary: f.Temporary, SealMm: f.Seal, ForcedBecause: f.Forced}
}

// ChairEnd ends a visit.
type ChairEnd struct {
	VisitArg
	ClosingFlags
}

// Run ends the visit.
func (c *ChairEnd) Run(s *Session) error {
	name, err := c.name(s)
	if err != nil {
		return err
	}
	visit, err := s.Client.Chair.EndVisit(s.Context, &vw.EndVisitRequest{Name: name, Closing: c.closing()})
	if err != nil {
		return err
	}
	return s.showVisit(visit)
}

// ChairLog changes the log.
type ChairLog struct {
	VisitArg
	Minutes *float64 `help:"Minutes in the chair as a whole." placeholder:"MIN"`
	Because string   `required:"" help:"Why the log is changed." placeholder:"TEXT"`
}

// Run changes the log.
func (c *ChairLog) Run(s *Session) error {
	name, err := c.name(s)
	if err != nil {
		return err
	}
	visit, err := s.Client.Chair.AddMarks(s.Context, &vw.AddMarksRequest{Name: name, Marks: []*vw.ChairMark{{
		Id: uuid.NewString(), What: &vw.ChairMark_Log{Log: &vw.LogMark{ChairMinutes: c.Minutes, Reason: c.Because}}}}})
	if err != nil {
		return err
	}
	return s.showVisit(visit)
}

// ChairReplan plans the rest anew.
type ChairReplan struct {
	VisitArg
	Stop    string `help:"The stopping point in which the visit is to end; without it where it stands (catalogue stops)." placeholder:"ID"`
	Preview bool   `help:"Show the plan and keep nothing."`
}

// Run plans the rest.
func (c *ChairReplan) Run(s *Session) error {
	name, err := c.name(s)
	if err != nil {
		return err
	}
	reply, err := s.Client.Chair.ReplanVisit(s.Context, &vw.ReplanVisitRequest{Name: name, Stop: c.Stop, ValidateOnly: c.Preview})
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) { showReplan(p, reply) })
}

// ChairStop stops the treatment.
type ChairStop struct {
	VisitArg
	Event  string `arg:"" help:"The event that ends the treatment (catalogue chair-events)."`
	Reason string `help:"Why the case closes (catalogue closing-reasons); without it the case stays open." placeholder:"ID"`
	Note   string `help:"What else should be known; kept encrypted." placeholder:"TEXT"`
	ClosingFlags
}

// Run stops the treatment.
func (c *ChairStop) Run(s *Session) error {
	name, err := c.name(s)
	if err != nil {
		return err
	}
	reply, err := s.Client.Chair.StopTreatment(s.Context, &vw.StopTreatmentRequest{Name: name, Event: c.Event, Closing: c.closing(), ClosingReason: c.Reason, Note: c.Note})
	if err != nil {
		return err
	}
	reference := s.referenceOf(reply.GetCase())
	return s.Show(reply, func(p *Page) {
		ShowChair(p, reply.GetVisit())
		ShowCase(p, reply.GetCase(), reference)
		if n := len(reply.GetCancelledAppointments()); n > 0 {
			p.Field("cancelled", "%s", plural(n, "appointment", "appointments"))
		}
		if reply.GetReport() != "" {
			p.Heading("Report")
			for line := range strings.SplitSeq(reply.GetReport(), "\n") {
				p.Text("%s", line)
			}
		}
	})
}
