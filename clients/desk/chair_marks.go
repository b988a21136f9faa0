package desk

import (
	"net/http"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// marking is one kind of entry: which part of the visit its form stands in, and
// how the entry is read from it.
type marking struct {
	view string
	read func(q *ask, f *form, v *vw.ChairVisit, m *vw.ChairMark)
	// fields maps the paths below marks[0] to fields of the form.
	fields map[string]string
}

// markings are the entries of a running visit by the last part of the address
// that their forms are sent to.
var markings = map[string]marking{
	"step":  {"work", readStep, nil},
	"stage": {"work", readStage, nil},
	"pause": {"work", func(_ *ask, _ *form, _ *vw.ChairVisit, m *vw.ChairMark) {
		m.What = &vw.ChairMark_Pause{Pause: &vw.PauseMark{}}
	}, nil},
	"resume": {"work", func(_ *ask, _ *form, _ *vw.ChairVisit, m *vw.ChairMark) {
		m.What = &vw.ChairMark_Resume{Resume: &vw.ResumeMark{}}
	}, nil},
	"check":   {"work", readCheck, nil},
	"event":   {"events", readEvent, map[string]string{"event.canal": "canal", "event.third": "third", "event.partner": "partner", "event.event": "event"}},
	"canal":   {"canals", readCanal, canalFields},
	"give":    {"numb", readInjection, map[string]string{"injection.cartridges": "cartridges", "injection": "solution"}},
	"film":    {"numb", readFilm, map[string]string{"radiograph.justification": "justification"}},
	"consent": {"numb", readConsent, map[string]string{"consent.covers": "covers"}},
	"undo":    {"entries", readTakeBack, nil},
	"retime":  {"entries", readCorrection, nil},
	"log":     {"close", readLog, map[string]string{"log.chair_minutes": "chair_minutes", "log.reason": "reason"}},
}

var canalFields = map[string]string{"canal.state": "state", "canal.patent": "patent", "canal.zero_mm": "zero_mm", "canal.working_length_mm": "working_length_mm",
	"canal.reference_point": "reference_point", "canal.file_size": "file_size", "canal.file_taper": "file_taper", "canal.decided": "decided"}

// markVisit keeps one entry, and comes back to where it was tapped.
func (q *ask) markVisit() (*page, error) {
	kind, known := markings[q.path("do")]
	if !known {
		return nil, errNoPage
	}
	name, err := q.visitName()
	if err != nil {
		return nil, err
	}
	visit, err := q.chair().GetVisit(q, &vw.GetVisitRequest{Name: name})
	if err != nil {
		return nil, err
	}
	f := q.typed()
	button := f.Get("step") + f.Get("stage") + f.Get("answer") + f.Get("mark")
	m := &vw.ChairMark{Id: f.markID(q.path("do") + button)}
	q.readTime(f, visit, m)
	kind.read(q, f, visit, m)
	view := kind.view
	if f.Get("back") == "work" {
		view = "work"
	}
	if f.ok() {
		_, err = q.chair().AddMarks(q, &vw.AddMarksRequest{Name: name, Marks: []*vw.ChairMark{m}})
		if err == nil {
			return goTo(markedAt(q, f, m, view)), nil
		}
		fields := map[string]string{"marks[0].time": "at"}
		for path, field := range kind.fields {
			fields["marks[0]."+path] = field
		}
		if !f.refused(err, fields) {
			return nil, err
		}
		for field := range f.Wrong {
			f.Wrong[field] = withoutPath(f.Wrong[field])
		}
		f.Problem = withoutPath(f.Problem)
	}
	return q.showVisit(f, view, http.StatusUnprocessableEntity)
}

// withoutPath leaves out where in the call a mistake lies: whoever typed sees
// it beside the field.
func withoutPath(text string) string {
	if at := strings.Index(text, ": "); strings.HasPrefix(strings.ToLower(text), "marks[") && at > 0 {
		return sentence(text[at+2:])
	}
	return text
}

// markedAt is where one is after an entry: what was marked is shown, and after a
// chair event what to do first.
func markedAt(q *ask, f *form, m *vw.ChairMark, view string) string {
	at := "/cases/" + q.path("case") + "/chair/" + q.path("visit")
	switch {
	case m.GetEvent() != nil:
		return at + "?event=" + m.GetId()
	case m.GetCanal() != nil:
		return at + "?view=canals&done=canal#" + f.Get("card")
	case view == "work":
		return at
	}
	return at + "?view=" + view + "&done=" + q.path("do")
}

// readTime reads when something happened, as a time of day; nothing means now.
// The nearest such time that is not ahead is meant.
func (q *ask) readTime(f *form, v *vw.ChairVisit, m *vw.ChairMark) {
	text := f.Get("at")
	if text == "" {
		return
	}
	clock, err := time.Parse("15:04", text)
	if err != nil {
		f.wrong("at", q.t("chair.time-wrong"))
		return
	}
	began := v.GetBeginTime().AsTime().In(q.words.zone)
	at := time.Date(began.Year(), began.Month(), began.Day(), clock.Hour(), clock.Minute(), 0, 0, q.words.zone)
	if at.Before(began.Truncate(time.Minute)) {
		// A visit over midnight; anything else lies before the beginning.
		next := at.AddDate(0, 0, 1)
		if next.After(q.now()) {
			f.wrong("at", q.t("chair.time-before", began.Format("15:04")))
			return
		}
		at = next
	}
	if at.Before(began) {
		at = began // the minute in which the visit began
	}
	if at.After(q.now().Add(time.Minute)) {
		f.wrong("at", q.t("chair.time-ahead"))
		return
	}
	m.Time, m.Late = timestamppb.New(at), true
}

func readStep(_ *ask, f *form, _ *vw.ChairVisit, m *vw.ChairMark) {
	step, canal, _ := strings.Cut(f.Get("step"), "|")
	mark := &vw.StepMark{Step: step, Canal: canal}
	if f.On("begins") {
		m.What = &vw.ChairMark_StepBegun{StepBegun: mark}
		return
	}
	m.What = &vw.ChairMark_StepDone{StepDone: mark}
}

func readStage(_ *ask, f *form, _ *vw.ChairVisit, m *vw.ChairMark) {
	m.What = &vw.ChairMark_StageDone{StageDone: &vw.StageMark{Stage: f.Get("stage")}}
}

// readCheck reads one answer of the ready-to-fill check: field|yes or field|no.
func readCheck(q *ask, f *form, _ *vw.ChairVisit, m *vw.ChairMark) {
	field, answer, _ := strings.Cut(f.Get("answer"), "|")
	yes := answer == "yes"
	mark := &vw.CheckMark{}
	to := map[string]**bool{"dry": &mark.Dry, "quiet": &mark.Quiet, "to_length": &mark.ToLength, "irrigation": &mark.Irrigation, "numb": &mark.Numb, "covered": &mark.Covered}[field]
	if to == nil || (answer != "yes" && answer != "no") {
		f.Problem = q.t("form.choice-wrong")
		return
	}
	*to = &yes
	m.What = &vw.ChairMark_Check{Check: mark}
}

func readEvent(_ *ask, f *form, _ *vw.ChairVisit, m *vw.ChairMark) {
	m.What = &vw.ChairMark_Event{Event: &vw.EventMark{Event: f.Get("event"), Canal: f.Get("canal"), Third: f.Get("third"), Partner: f.Get("partner")}}
}

// readCanal reads what was changed of a canal: what stands as it was says
// nothing new.
func readCanal(q *ask, f *form, v *vw.ChairVisit, m *vw.ChairMark) {
	mark := &vw.CanalMark{Canal: f.Get("canal"), ReferencePoint: f.Get("reference_point"), Decided: f.Get("decided")}
	var was *vw.ChairCanal
	for _, c := range v.GetCanals() {
		if c.GetCanal() == mark.GetCanal() {
			was = c
		}
	}
	if s := f.Get("state"); s != was.GetState() {
		mark.State = s
	}
	if answer := f.Get("patent"); answer != "" {
		yes := answer == "yes"
		mark.Patent = &yes
	}
	if mark.GetReferencePoint() == was.GetReferencePoint() {
		mark.ReferencePoint = ""
	}
	if zero := f.number(q, "zero_mm", 0, 1000); zero != nil && *zero != was.GetZeroMm() {
		mark.ZeroMm = zero
	}
	if length := f.number(q, "working_length_mm", 0, 1000); length != nil && millimetres(*length) != millimetres(was.GetWorkingLengthMm()) {
		mark.WorkingLengthMm = length
	}
	if n := f.whole(q, "file_size", 0, 1000); n != nil && *n != was.GetFileSize() {
		mark.FileSize = n
	}
	if t := f.number(q, "file_taper", 0, 100); t != nil {
		if *t >= 1 {
			*t /= 100 // "4" and "04" are how files are called: 0.04
		}
		if taper(*t) != taper(was.GetFileTaper()) {
			mark.FileTaper = t
		}
	}
	m.What = &vw.ChairMark_Canal{Canal: mark}
}

func readInjection(q *ask, f *form, _ *vw.ChairVisit, m *vw.ChairMark) {
	parts := strings.Split(f.Get("solution"), "|")
	if len(parts) != 5 {
		f.wrong("solution", q.t("form.choice-wrong"))
		return
	}
	percent, err1 := strconv.ParseFloat(parts[1], 64)
	ml, err2 := strconv.ParseFloat(parts[2], 64)
	oneIn, err3 := strconv.ParseInt(parts[4], 10, 32)
	if err1 != nil || err2 != nil || err3 != nil {
		f.wrong("solution", q.t("form.choice-wrong"))
		return
	}
	n := f.number(q, "cartridges", 0.1, 20)
	if n == nil {
		f.wrong("cartridges", q.t("chair.cartridges-missing"))
		return
	}
	m.What = &vw.ChairMark_Injection{Injection: &vw.GivenAnaesthetic{Cartridges: *n,
		Solution: &vw.AnaestheticSolution{Agent: parts[0], Percent: percent, CartridgeMl: ml, Vasoconstrictor: parts[3], OneIn: int32(oneIn)}}}
}

func readFilm(q *ask, f *form, _ *vw.ChairVisit, m *vw.ChairMark) {
	if f.Get("justification") == "" {
		f.wrong("justification", q.t("chair.justification-missing"))
	}
	m.What = &vw.ChairMark_Radiograph{Radiograph: &vw.RadiographMark{Justification: f.Get("justification")}}
}

func readConsent(q *ask, f *form, _ *vw.ChairVisit, m *vw.ChairMark) {
	if f.Get("covers") == "" {
		f.wrong("covers", q.t("chair.covers-missing"))
	}
	m.What = &vw.ChairMark_Consent{Consent: &vw.ConsentMark{Covers: f.Get("covers")}}
}

// readLog reads a correction of the log, after the end: the earlier entries
// stay.
func readLog(q *ask, f *form, _ *vw.ChairVisit, m *vw.ChairMark) {
	mark := &vw.LogMark{ChairMinutes: f.number(q, "chair_minutes", 1, 960), Reason: f.Get("reason")}
	if mark.ChairMinutes == nil {
		f.wrong("chair_minutes", q.t("chair.log-minutes-missing"))
	}
	if mark.GetReason() == "" {
		f.wrong("reason", q.t("chair.log-reason-missing"))
	}
	m.What = &vw.ChairMark_Log{Log: mark}
}

func readTakeBack(_ *ask, f *form, _ *vw.ChairVisit, m *vw.ChairMark) {
	m.Time, m.Late = nil, false
	m.What = &vw.ChairMark_TakeBack{TakeBack: &vw.TakeBackMark{Mark: f.Get("mark"), Reason: f.Get("reason")}}
}

func readCorrection(q *ask, f *form, _ *vw.ChairVisit, m *vw.ChairMark) {
	if m.GetTime() == nil {
		f.wrong("at", q.t("chair.time-wrong"))
	}
	m.Late = false
	m.What = &vw.ChairMark_Correction{Correction: &vw.CorrectionMark{Mark: f.Get("mark"), Reason: f.Get("reason")}}
}
