// Package visits decides how a root-canal treatment is cut into visits.
//
// A Model is the complete, self-contained description of one tooth's
// treatment under one protocol: everything an independent program needs to
// simulate it again. Solve turns it into appointment lengths, a go-on table
// and odds.
package visits

// Model is a treatment as a semi-Markov decision process in minutes.
//
// Time. A visit is a sequence of blocks. The minutes of a block are the sum of
// its steps and of the events that happen. A scaled step takes
// lognormal(Median, LogSD) minutes times exp(C+V), where C ~ N(0, CaseLogSD^2)
// is drawn once per tooth and V ~ N(0, VisitLogSD^2) anew in each visit: both
// factors have median one. A fixed step is not multiplied.
//
// Progress. The treatment is a list of stages. Between stages, and inside a
// stage with StopAfterCanal after each canal, lies a stopping point. A visit
// does at least one portion (a stage, or one canal of such a stage).
//
// Canals. The number of canals to treat N is latent. At the first stage with
// Locates the clinician finds min(N, Expected) canals, and each canal beyond
// Expected with probability Discovery of that stage. In every later portion
// each canal still unfound is found with that stage's Discovery, or never.
// A canal found late brings the per-canal steps of the stages already past
// (catch-up) into the portion in which it was found; its own steps of the
// current stage follow in order. Time follows canals found.
type Model struct {
	Protocol string      `json:"protocol"` // catalogue id, for example "primary-treatment"
	Tooth    string      `json:"tooth"`    // ISO 3950 code
	Canals   CanalBelief `json:"canals"`
	Factor   Factor      `json:"factor"`

	Start  Block   `json:"start"`  // opens every visit: checks, anaesthesia, dam
	Stages []Stage `json:"stages"` // at least one
	// Stops has len(Stages)+1 entries: Stops[i] is the state of the tooth with
	// i stages done. Stops[0] is before access, the last is complete.
	Stops []Stop `json:"stops"`

	Cost    Cost   `json:"cost"`
	Grid    Grid   `json:"grid"`
	Bear    Bear   `json:"bear"`
	Horizon int    `json:"horizon"` // visits followed; what is unfinished after them is reported (2 to 8)
	Cap     int    `json:"cap"`     // minutes in the last cell of a distribution (60 to 960); what lies beyond is put there and reported
	Clock   string `json:"clock"`   // "nearest-minute": minutes used are rounded to the nearest whole minute when the table is read
}

// CanalBelief is what is believed about the number of canals to treat, before
// the tooth is opened.
type CanalBelief struct {
	// P[n] is the probability of exactly n canals to treat; P[0] is 0; sums to 1.
	P []float64 `json:"p"`
	// Expected is the number of canals located at access if they exist; canals
	// beyond it are found by search only. 1 to len(P)-1.
	Expected int `json:"expected"`
	// Names of the canals in the order in which they are treated, canals beyond
	// Expected last. len(P)-1 entries.
	Names []string `json:"names"`
}

// Factor holds the spread of the two shared factors, on the log scale.
type Factor struct {
	CaseLogSD  float64 `json:"case_log_sd"`
	VisitLogSD float64 `json:"visit_log_sd"`
}

// Minutes is the law of one duration. LogSD 0 means exactly Median.
type Minutes struct {
	Median float64 `json:"median"` // minutes, >= 0
	LogSD  float64 `json:"log_sd"` // >= 0
	Scaled bool    `json:"scaled"` // multiplied by the shared factors
}

// Step is one piece of work with its minutes, after difficulty factors.
type Step struct {
	ID string `json:"id"`
	Minutes
}

// CanalStep is work done on each canal. Canals differ: Medians[i] is the
// median for the canal with rank i (Names[i]); LogSD and Scaled are shared.
type CanalStep struct {
	ID      string    `json:"id"`
	Medians []float64 `json:"medians"`
	LogSD   float64   `json:"log_sd"`
	Scaled  bool      `json:"scaled"`
}

// Event is something that may happen in a block, at most once per unit of its
// scope, independently of everything but the case.
type Event struct {
	ID          string  `json:"id"`
	PerCanal    bool    `json:"per_canal"`   // drawn once for each canal worked on in the block, else once
	Probability float64 `json:"probability"` // given the difficulty
	Minutes     Minutes `json:"minutes"`     // added when it happens
	// BarsFilling: when it happens the tooth may not be filled in this visit:
	// the visit ends at the next stopping point.
	BarsFilling bool `json:"bars_filling"`
}

// Block is a run of work without a stopping point inside.
type Block struct {
	Once     []Step      `json:"once"`
	PerCanal []CanalStep `json:"per_canal"` // for every canal in hand: see the field that holds the block
	Events   []Event     `json:"events"`
	// Contact, when above 0, is the least number of minutes (fixed, not scaled)
	// that the steps named in Overlaps must fill together: the longer counts.
	// It is applied to the minutes of those steps in the block, factors
	// included, before the other steps are added; in a stage with
	// StopAfterCanal it holds for each portion.
	Contact  float64  `json:"contact"`
	Overlaps []string `json:"overlaps"`
}

// Stage is the work between two stopping points.
type Stage struct {
	ID      string `json:"id"`
	Locates bool   `json:"locates"` // the first search: finds the expected canals
	// Work. PerCanal steps are done for every canal found (all of them in one
	// portion, or one canal a portion with StopAfterCanal; Once steps and events
	// without PerCanal then belong to the stage's first portion).
	Work Block `json:"work"`
	// Discovery is the probability that one canal still unfound is found during
	// one portion of this stage.
	Discovery      float64 `json:"discovery"`
	StopAfterCanal bool    `json:"stop_after_canal"`
	// Fills marks the stage that fills the canals: option k forbids it before
	// visit k, a BarsFilling event of the visit forbids it, and Gate guards it.
	Fills bool  `json:"fills"`
	Gate  *Gate `json:"gate,omitempty"`
}

// Gate is the chance that the tooth is ready when a stage is about to begin
// (dry, free of pain and swelling). When it is not, the visit ends at the stop
// before the stage, and a further visit is needed.
type Gate struct {
	FirstVisit float64 `json:"first_visit"` // probability ready in the visit in which the tooth was opened
	AfterDress float64 `json:"after_dress"` // at a later visit
	Check      Minutes `json:"check"`       // minutes of the check itself
}

// Stop is a state of the tooth in which a visit may end.
type Stop struct {
	ID      string `json:"id"`
	Allowed bool   `json:"allowed"` // may be chosen; a stop that is not allowed is only forced
	// End closes a visit at this stop: dress and seal, or the end of treatment.
	// Its PerCanal steps count the canals already worked on.
	End Block `json:"end"`
	// Resume opens a later visit from this stop, after Start: re-access, removal
	// of the dressing. Its PerCanal steps count the canals already worked on.
	Resume Block `json:"resume"`
}

// Cost is the one cost used everywhere, in units of one minute of work.
type Cost struct {
	Work    float64 `json:"work"`    // per minute of treatment
	Overrun float64 `json:"overrun"` // per minute past the appointment's end
	Idle    float64 `json:"idle"`    // per minute booked and not used
	Visit   float64 `json:"visit"`   // burden of each visit after the first
	Unused  float64 `json:"unused"`  // a booked visit that turns out not to be needed
}

// Grid is the set of appointment lengths the practice books, in minutes.
type Grid struct {
	Least int `json:"least"`
	Most  int `json:"most"`
	Step  int `json:"step"`
}

// Bear limits what this patient can bear: P(in the chair longer than Minutes)
// must not exceed Chance in any visit. Minutes 0 means no limit.
type Bear struct {
	Minutes int     `json:"minutes"`
	Chance  float64 `json:"chance"`
}
