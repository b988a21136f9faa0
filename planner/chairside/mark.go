package chairside

import (
	"time"

	"github.com/visitwright/visitwright/planner/anaesthetic"
)

// Kind of mark.
type Kind string

const (
	Begin      Kind = "begin"      // identity and alerts confirmed, patient in the chair
	StepBegun  Kind = "step-begun" // optional: a step done without it began when the last one ended
	StepDone   Kind = "step-done"  // one tap
	StageDone  Kind = "stage-done" // the catch-up entry: a whole stage is done
	Pause      Kind = "pause"      // the work rests, the clock of the appointment runs
	Resume     Kind = "resume"     //
	Happened   Kind = "event"      // a chair event
	CanalNote  Kind = "canal"      // what is known of a canal
	Check      Kind = "check"      // answers of the ready-to-fill check
	Injection  Kind = "injection"  // anaesthetic given
	Radiograph Kind = "radiograph" // with its justification
	Consent    Kind = "consent"    // consent asked again and given
	TakeBack   Kind = "take-back"  // undoes a mark of this visit
	Correct    Kind = "correct"    // gives an earlier mark another time
	End        Kind = "end"        // dressed and closed, or complete
	LogEntry   Kind = "log"        // an entry of the visit log, after the end
)

// Mark is one entry of a visit. Marks are never changed: a correction is a
// mark of its own, and the earlier entry stays.
type Mark struct {
	ID   string    `json:"id"`
	At   time.Time `json:"at"` // when it happened, not when it was entered
	Kind Kind      `json:"kind"`
	Who  string    `json:"who"` // who entered it
	// Late: entered after later marks, and belongs between them by its time.
	Late bool `json:"late,omitempty"`

	Step  string `json:"step,omitempty"`  // StepBegun, StepDone
	Stage string `json:"stage,omitempty"` // StageDone
	Canal string `json:"canal,omitempty"` // with a step per canal, an event or a note

	Event   string `json:"event,omitempty"`
	Third   Third  `json:"third,omitempty"`
	Partner string `json:"partner,omitempty"`

	Note    *Note              `json:"note,omitempty"`
	Answers *Answers           `json:"answers,omitempty"`
	Given   *anaesthetic.Given `json:"given,omitempty"`
	Reason  string             `json:"reason,omitempty"` // justification of a radiograph; why a mark was taken back; what consent covers

	Of      string   `json:"of,omitempty"` // TakeBack, Correct: the mark meant
	Closing *Closing `json:"closing,omitempty"`
	Log     *Log     `json:"log,omitempty"`
	// Identity: a second identifier was compared. Alerts: the alerts were read
	// out and confirmed. Both belong to Begin.
	Identity bool `json:"identity,omitempty"`
	Alerts   bool `json:"alerts,omitempty"`
}

// Third of the root.
type Third string

const (
	Coronal Third = "coronal"
	Middle  Third = "middle"
	Apical  Third = "apical"
)

// Log is what is entered in the visit log after the end. What it does not
// name stays as the marks have it.
type Log struct {
	Minutes float64             `json:"minutes,omitempty"` // in the chair as a whole, 0 for "as marked"
	Steps   []Work              `json:"steps,omitempty"`   // minutes of single steps
	Closing *Closing            `json:"closing,omitempty"` // what was really placed
	Given   []anaesthetic.Given `json:"given,omitempty"`   // not entered in the chair
	Images  []string            `json:"images,omitempty"`  // justifications of radiographs
	Reason  string              `json:"reason"`            // why the log is changed
}

// Closing is how a visit ended.
type Closing struct {
	Medicament string  `json:"medicament,omitempty"` // catalogue id; empty when nothing was dressed
	Temporary  string  `json:"temporary,omitempty"`  // catalogue id
	SealMM     float64 `json:"seal_mm,omitempty"`    // thickness, 0 when not measured
	Forced     string  `json:"forced,omitempty"`     // why it had to end, empty when planned
	// Stop is the stopping point in which the visit left the tooth, by catalogue
	// id. It is written beside what was placed, for whoever reads the closing alone.
	Stop string `json:"stop,omitempty"`
	// Ends is why the treatment ended with the visit, in words; empty while it
	// goes on.
	Ends string `json:"ends,omitempty"`
}

// Answer to one question of the check. The zero value is "not answered".
type Answer string

const (
	Yes Answer = "yes"
	No  Answer = "no"
)

// Answers of the ready-to-fill check. Each must be Yes before filling is
// spoken of.
type Answers struct {
	Dry        Answer `json:"dry,omitempty"`        // every canal dries
	Quiet      Answer `json:"quiet,omitempty"`      // no pain, no swelling
	ToLength   Answer `json:"to_length,omitempty"`  // every canal to length, or decided
	Irrigation Answer `json:"irrigation,omitempty"` // irrigation done
	Numb       Answer `json:"numb,omitempty"`
	Covered    Answer `json:"covered,omitempty"` // consent covers it
}
