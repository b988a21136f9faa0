package planner

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"github.com/visitwright/visitwright/planner/anaesthetic"
	"github.com/visitwright/visitwright/planner/chairside"
	"github.com/visitwright/visitwright/proto/fault"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// markFromProto reads one entry. What only this service writes is refused.
func (s *ChairService) markFromProto(m *vw.ChairMark, path string, cartridgeML float64) (chairside.Mark, error) {
	out := chairside.Mark{ID: strings.ToLower(m.GetId()), Late: m.GetLate()}
	if m.GetTime() != nil {
		out.At = s.moment(m.GetTime().AsTime())
	} else {
		out.At = s.moment(time.Time{})
	}
	switch w := m.GetWhat().(type) {
	case *vw.ChairMark_StepBegun:
		out.Kind, out.Step, out.Canal = chairside.StepBegun, w.StepBegun.GetStep(), w.StepBegun.GetCanal()
	case *vw.ChairMark_StepDone:
		out.Kind, out.Step, out.Canal = chairside.StepDone, w.StepDone.GetStep(), w.StepDone.GetCanal()
	case *vw.ChairMark_StageDone:
		out.Kind, out.Stage = chairside.StageDone, w.StageDone.GetStage()
	case *vw.ChairMark_Pause:
		out.Kind = chairside.Pause
	case *vw.ChairMark_Resume:
		out.Kind = chairside.Resume
	case *vw.ChairMark_Event:
		out.Kind, out.Event, out.Canal = chairside.Happened, w.Event.GetEvent(), w.Event.GetCanal()
		out.Third, out.Partner = chairside.Third(w.Event.GetThird()), w.Event.GetPartner()
	case *vw.ChairMark_Canal:
		out.Kind, out.Canal, out.Note = chairside.CanalNote, w.Canal.GetCanal(), noteFromProto(w.Canal)
	case *vw.ChairMark_Check:
		out.Kind, out.Answers = chairside.Check, answersOfCheck(w.Check)
	case *vw.ChairMark_Injection:
		given, err := s.givenFromProto(w.Injection, path+".injection", cartridgeML)
		if err != nil {
			return out, err
		}
		out.Kind, out.Given = chairside.Injection, &given
	case *vw.ChairMark_Radiograph:
		out.Kind, out.Reason = chairside.Radiograph, said(w.Radiograph.GetJustification())
	case *vw.ChairMark_Consent:
		out.Kind, out.Reason = chairside.Consent, said(w.Consent.GetCovers())
	case *vw.ChairMark_TakeBack:
		out.Kind, out.Of, out.Reason = chairside.TakeBack, strings.ToLower(w.TakeBack.GetMark()), w.TakeBack.GetReason()
	case *vw.ChairMark_Correction:
		out.Kind, out.Of, out.Reason = chairside.Correct, strings.ToLower(w.Correction.GetMark()), w.Correction.GetReason()
	case *vw.ChairMark_Log:
		log, err := s.logFromProto(w.Log, path+".log", cartridgeML)
		if err != nil {
			return out, err
		}
		out.Kind, out.Log = chairside.LogEntry, &log
	case *vw.ChairMark_Begin, *vw.ChairMark_End:
		return out, fault.Invalid(vw.ErrorReason_ERROR_REASON_MARK_DOES_NOT_FIT, path, "BeginVisit or EndVisit: they write the beginning and the end")
	default:
		return out, fault.Invalid(vw.ErrorReason_ERROR_REASON_MARK_DOES_NOT_FIT, path, "what happened")
	}
	return out, nil
}

// said is a text that says something; spaces say nothing.
func said(text string) string {
	if strings.TrimSpace(text) == "" {
		return ""
	}
	return text
}

func noteFromProto(c *vw.CanalMark) *chairside.Note {
	n := &chairside.Note{State: chairside.CanalState(strings.ReplaceAll(c.GetState(), "-", " ")), Patent: c.Patent, ZeroMM: c.ZeroMm, LengthMM: c.WorkingLengthMm,
		Reference: c.GetReferencePoint(), Taper: c.FileTaper, Decided: c.GetDecided()}
	if c.FileSize != nil {
		size := int(c.GetFileSize())
		n.FileSize = &size
	}
	return n
}

func answersOfCheck(c *vw.CheckMark) *chairside.Answers {
	say := func(b *bool) chairside.Answer {
		switch {
		case b == nil:
			return ""
		case *b:
			return chairside.Yes
		}
		return chairside.No
	}
	return &chairside.Answers{Dry: say(c.Dry), Quiet: say(c.Quiet), ToLength: say(c.ToLength), Irrigation: say(c.Irrigation), Numb: say(c.Numb), Covered: say(c.Covered)}
}

func (s *ChairService) givenFromProto(g *vw.GivenAnaesthetic, path string, cartridgeML float64) (anaesthetic.Given, error) {
	if err := checkSolution(anaesthetic.Lowest, g.GetSolution(), cartridgeML, path+".solution"); err != nil {
		return anaesthetic.Given{}, err
	}
	return anaesthetic.Given{Solution: solutionFromProto(g.GetSolution(), cartridgeML), Cartridges: g.GetCartridges()}, nil
}

func (s *ChairService) closingFromProto(c *vw.VisitClosing, path string) (chairside.Closing, error) {
	out := chairside.Closing{Medicament: c.GetMedicament(), Temporary: c.GetTemporary(), SealMM: c.GetSealMm(), Forced: c.GetForcedBecause()}
	if out.Medicament != "" {
		if _, err := s.shipped.Medicament(out.Medicament); err != nil {
			return out, unknownID(path+".medicament", "medicaments").Because(err)
		}
	}
	if out.Temporary != "" {
		if _, err := s.shipped.Temporary(out.Temporary); err != nil {
			return out, unknownID(path+".temporary", "temporaries").Because(err)
		}
	}
	return out, nil
}

func placedToProto(c *chairside.Closing) *vw.VisitClosing {
	if c == nil {
		return nil
	}
	return &vw.VisitClosing{Medicament: c.Medicament, Temporary: c.Temporary, SealMm: c.SealMM, ForcedBecause: c.Forced, Stop: c.Stop}
}

func (s *ChairService) logFromProto(l *vw.LogMark, path string, cartridgeML float64) (chairside.Log, error) {
	out := chairside.Log{Minutes: l.GetChairMinutes(), Reason: said(l.GetReason())}
	for _, step := range l.GetSteps() {
		out.Steps = append(out.Steps, chairside.Work{Step: step.GetStep(), Canal: step.GetCanal(), Minutes: step.GetMinutes()})
	}
	if l.GetClosing() != nil {
		closing, err := s.closingFromProto(l.GetClosing(), path+".closing")
		if err != nil {
			return out, err
		}
		out.Closing = &closing
	}
	for i, g := range l.GetGiven() {
		given, err := s.givenFromProto(g, index(path+".given", i), cartridgeML)
		if err != nil {
			return out, err
		}
		out.Given = append(out.Given, given)
	}
	for _, r := range l.GetRadiographs() {
		out.Images = append(out.Images, said(r.GetJustification()))
	}
	return out, nil
}

// marksToProto shows every entry, those taken back included.
func (o openVisit) marksToProto() []*vw.ChairMark {
	back := map[string]bool{}
	for _, m := range o.marks {
		if m.Kind == chairside.TakeBack {
			back[m.Of] = true
		}
	}
	var out []*vw.ChairMark
	for i, m := range o.marks {
		shown := markToProtoEntry(m)
		shown.TakenBack, shown.Text = back[m.ID], o.markWords(m)
		if i < len(o.kept.Marks) {
			shown.Actor, shown.CreateTime = o.kept.Marks[i].Actor, instant(o.kept.Marks[i].CreateTime)
		}
		out = append(out, shown)
	}
	return out
}

func markToProtoEntry(m chairside.Mark) *vw.ChairMark {
	out := &vw.ChairMark{Id: m.ID, Time: instant(m.At), Late: m.Late}
	switch m.Kind {
	case chairside.Begin:
		out.What = &vw.ChairMark_Begin{Begin: &vw.BeginMark{IdentityConfirmed: m.Identity, AlertsConfirmed: m.Alerts}}
	case chairside.StepBegun:
		out.What = &vw.ChairMark_StepBegun{StepBegun: &vw.StepMark{Step: m.Step, Canal: m.Canal}}
	case chairside.StepDone:
		out.What = &vw.ChairMark_StepDone{StepDone: &vw.StepMark{Step: m.Step, Canal: m.Canal}}
	case chairside.StageDone:
		out.What = &vw.ChairMark_StageDone{StageDone: &vw.StageMark{Stage: m.Stage}}
	case chairside.Pause:
		out.What = &vw.ChairMark_Pause{Pause: &vw.PauseMark{}}
	case chairside.Resume:
		out.What = &vw.ChairMark_Resume{Resume: &vw.ResumeMark{}}
	case chairside.Happened:
		out.What = &vw.ChairMark_Event{Event: &vw.EventMark{Event: m.Event, Canal: m.Canal, Third: string(m.Third), Partner: m.Partner}}
	case chairside.CanalNote:
		n := m.Note
		note := &vw.CanalMark{Canal: m.Canal, State: strings.ReplaceAll(string(n.State), " ", "-"), Patent: n.Patent, ZeroMm: n.ZeroMM, WorkingLengthMm: n.LengthMM,
			ReferencePoint: n.Reference, FileTaper: n.Taper, Decided: n.Decided}
		if n.FileSize != nil {
			size := int32(*n.FileSize)
			note.FileSize = &size
		}
		out.What = &vw.ChairMark_Canal{Canal: note}
	case chairside.Check:
		out.What = &vw.ChairMark_Check{Check: checkToProto(*m.Answers)}
	case chairside.Injection:
		out.What = &vw.ChairMark_Injection{Injection: givenToProto(*m.Given)}
	case chairside.Radiograph:
		out.What = &vw.ChairMark_Radiograph{Radiograph: &vw.RadiographMark{Justification: m.Reason}}
	case chairside.Consent:
		out.What = &vw.ChairMark_Consent{Consent: &vw.ConsentMark{Covers: m.Reason}}
	case chairside.TakeBack:
		out.What = &vw.ChairMark_TakeBack{TakeBack: &vw.TakeBackMark{Mark: m.Of, Reason: m.Reason}}
	case chairside.Correct:
		out.What = &vw.ChairMark_Correction{Correction: &vw.CorrectionMark{Mark: m.Of, Reason: m.Reason}}
	case chairside.End:
		out.What = &vw.ChairMark_End{End: placedToProto(m.Closing)}
	case chairside.LogEntry:
		out.What = &vw.ChairMark_Log{Log: logToProto(*m.Log)}
	}
	return out
}

func checkToProto(a chairside.Answers) *vw.CheckMark {
	say := func(x chairside.Answer) *bool {
		if x == "" {
			return nil
		}
		yes := x == chairside.Yes
		return &yes
	}
	return &vw.CheckMark{Dry: say(a.Dry), Quiet: say(a.Quiet), ToLength: say(a.ToLength), Irrigation: say(a.Irrigation), Numb: say(a.Numb), Covered: say(a.Covered)}
}

func givenToProto(g anaesthetic.Given) *vw.GivenAnaesthetic {
	return &vw.GivenAnaesthetic{Solution: solutionToProto(g.Solution), Cartridges: g.Cartridges}
}

func logToProto(l chairside.Log) *vw.LogMark {
	out := &vw.LogMark{Closing: placedToProto(l.Closing), Reason: l.Reason}
	if l.Minutes > 0 {
		out.ChairMinutes = &l.Minutes
	}
	for _, s := range l.Steps {
		out.Steps = append(out.Steps, &vw.LogStep{Step: s.Step, Canal: s.Canal, Minutes: s.Minutes})
	}
	for _, g := range l.Given {
		out.Given = append(out.Given, givenToProto(g))
	}
	for _, why := range l.Images {
		out.Radiographs = append(out.Radiographs, &vw.RadiographMark{Justification: why})
	}
	return out
}

// markWords is an entry as one line.
func (o openVisit) markWords(m chairside.Mark) string {
	on := ""
	if m.Canal != "" {
		on = ", " + m.Canal
	}
	switch m.Kind {
	case chairside.Begin:
		return "begins: identity and alerts confirmed"
	case chairside.StepBegun:
		return "begins " + o.of.title(m.Step) + on
	case chairside.StepDone:
		return o.of.title(m.Step) + on
	case chairside.StageDone:
		return "caught up: " + o.of.title(m.Stage) + " is done"
	case chairside.Happened:
		if e, err := chairside.FindEvent(m.Event); err == nil {
			return eventWords(e, m)
		}
	case chairside.CanalNote:
		return m.Canal + " noted"
	case chairside.Check:
		return "ready-to-fill check answered"
	case chairside.Injection:
		if m.Given.Cartridges == 1 {
			return "1 cartridge of " + solutionWords(m.Given.Solution)
		}
		return fmt.Sprintf("%g cartridges of %s", m.Given.Cartridges, solutionWords(m.Given.Solution))
	case chairside.Radiograph:
		return "radiograph: " + m.Reason
	case chairside.Consent:
		return "consent: " + m.Reason
	case chairside.TakeBack:
		return "an entry taken back"
	case chairside.Correct:
		return "the time of an entry corrected"
	case chairside.End:
		return "ends"
	case chairside.LogEntry:
		return "log changed: " + m.Log.Reason
	}
	return string(m.Kind)
}

// keptMark is an entry as the store keeps it. Id and time have columns of
// their own.
func keptMark(m chairside.Mark) (store.ChairMark, error) {
	id, at := m.ID, m.At
	m.ID, m.At, m.Who = "", time.Time{}, ""
	document, err := json.Marshal(m)
	return store.ChairMark{ID: id, Kind: string(m.Kind), At: at, Document: document}, err
}

func keptMarks(marks []chairside.Mark) ([]store.ChairMark, error) {
	out := make([]store.ChairMark, len(marks))
	var err error
	for i, m := range marks {
		if out[i], err = keptMark(m); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func markFromKept(k store.ChairMark) (chairside.Mark, error) {
	var m chairside.Mark
	if err := json.Unmarshal(k.Document, &m); err != nil {
		return m, fmt.Errorf("visit entry: %w", err)
	}
	m.ID, m.At, m.Who = k.ID, k.At, k.Actor
	return m, nil
}

// newMarkID is a fresh id of an entry; derivedMarkID one that follows from
// another, so that a repeated call makes the same.
func newMarkID() string {
	var b [16]byte
	_, _ = rand.Read(b[:]) // crypto/rand never fails: the program ends instead
	return asUUID(b)
}

func derivedMarkID(from, what string) string {
	if from == "" {
		return newMarkID()
	}
	sum := sha256.Sum256([]byte(from + "/" + what))
	return asUUID([16]byte(sum[:16]))
}

func asUUID(b [16]byte) string {
	b[6], b[8] = b[6]&0x0f|0x40, b[8]&0x3f|0x80
	return fmt.Sprintf("%x-%x-%x-%x-%x", b[:4], b[4:6], b[6:8], b[8:10], b[10:])
}

// markPaths says where in an entry of the contract the fields stand that
// chairside speaks of, by kind of mark.
func markPath(kind chairside.Kind, field string) string {
	in := map[chairside.Kind]string{
		chairside.StepBegun: "step_begun", chairside.StepDone: "step_done", chairside.StageDone: "stage_done", chairside.Happened: "event",
		chairside.CanalNote: "canal", chairside.Check: "check", chairside.Injection: "injection", chairside.Radiograph: "radiograph",
		chairside.Consent: "consent", chairside.TakeBack: "take_back", chairside.Correct: "correction", chairside.LogEntry: "log",
		chairside.Pause: "pause", chairside.Resume: "resume", chairside.Begin: "begin", chairside.End: "end",
	}[kind]
	switch {
	case field == "at":
		return "time"
	case field == "late":
		return "late"
	case field == "kind":
		return in
	case field == "of":
		return in + ".mark"
	case field == "reason" && kind == chairside.Radiograph:
		return in + ".justification"
	case field == "reason" && kind == chairside.Consent:
		return in + ".covers"
	case field == "note.length_mm":
		return in + ".working_length_mm"
	case field == "note.taper":
		return in + ".file_taper"
	case field == "answers", field == "note", field == "log", field == "closing":
		return in
	}
	for _, prefix := range []string{"note.", "given.", "log.", "closing."} {
		if rest, ok := strings.CutPrefix(field, prefix); ok {
			return in + "." + rest
		}
	}
	return in + "." + field
}
