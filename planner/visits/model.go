// Package visits decides how a root-canal treatment is cut into visits.
//
// A Model is the complete, self-contained description of one tooth's
// treatment under one protocol: everything an independent program needs to
// simulate it again. Solve turns it into appointment lengths, a go-on table
// and odds.
package visits

// Model is a treatment as a semi-Markov decision process in minutes.
//
// Minutes. A visit is a run of blocks. The minutes of a block are the sum of
// its steps and of the events that happen in it. A scaled step takes
// lognormal(Median, LogSD) minutes times exp(C+V), where C ~ N(0, CaseLogSD^2)
// is drawn once per tooth and V ~ N(0, VisitLogSD^2) anew in each visit: both
// factors have median one. All draws are independent. A step that is not
// scaled takes lognormal(Median, LogSD) minutes. The same holds for events and
// for the check of a gate. Nothing is rounded except the clock (see Clock).
//
// State. Between visits, and at every stopping point, the tooth is in a State:
// stages done, canals done within a stage that stops after each canal, canals
// found. The treatment starts in Begin and is complete with all stages done.
//
// Canals. The number of canals to treat, N, is drawn once per tooth from
// Canals.P. The stage with Locates finds min(N, Expected) canals at once, and
// each canal beyond Expected with probability Discovery of that stage. When no
// stage locates, min(N, Expected) canals are in hand from the beginning. In
// every later portion that searches, each canal still unfound is found with
// that stage's Discovery, independently. A portion searches when it is a whole
// stage, or when the canal worked on is one of the first Expected of its stage
// (rank < Expected): nobody searches while a further canal is being treated.
// A canal beyond Expected gets the next rank in the order in which it is found.
// Canals never found are never treated.
//
// One visit, in this order:
//
//  1. Start. From the second visit on, and in the first when Begin is not the
//     zero State, then Resume of Stops[stages done]. The BarsFilling events of
//     both are drawn.
//  2. A portion is the whole next stage, or with StopAfterCanal the work on its
//     next canal (a single portion when no canal was found). The first portion
//     of a visit is begun without a choice; each later one only if the clinician
//     goes on at step 5.
//  3. A portion that may not begin ends the visit at once, in the state in which
//     it stands (step 6). A stage that Fills may not begin or continue when a
//     BarsFilling event happened earlier in this visit, or when the option
//     forbids completion before a later visit. (Where no stage Fills, the last
//     one counts as the stage that does, for both.) Otherwise, when the stage has
//     a Gate and none of its canals is done, Check is spent and readiness is
//     drawn; not ready ends the visit.
//  4. The portion's minutes pass: Once steps and events without PerCanal (with
//     StopAfterCanal only when no canal of the stage is done yet), then PerCanal
//     steps and events for every canal found, those found in this very portion
//     included, or with StopAfterCanal for the one canal in turn; then the
//     catch-up of each canal found in this portion: the PerCanal steps and
//     PerCanal events of all earlier stages, for that canal. The stage that
//     locates causes no catch-up. With StopAfterCanal a canal found in the
//     portion joins the end of the queue.
//  5. With all stages done the visit ends and the treatment is complete.
//     Otherwise the clinician reads the clock: left = max(0, length -
//     floor(minutes used so far in this visit + 0.5)), and goes on when left is
//     at least the table's LeastLeft for (visit, state, barred). Where the next
//     portion may not begin (barred or forbidden, step 3) the visit ends whatever
//     the clock says; where the stop is not Allowed the clinician goes on.
//  6. End of Stops[stages done] passes, and the visit is over.
//
// Cost of a treatment: Work for every minute of every visit; Overrun and Idle
// for each visit's minutes beyond and short of its length; Visit for each visit
// after the first; Unused for every visit that was booked ahead and is not
// needed. What is unfinished after Horizon visits is priced as one further
// visit: Visit plus Work times the mean minutes, for the tooth's C, of a visit
// that does everything that is left with every gate passed.
type Model struct {
	Protocol string      `json:"protocol"` // catalogue id, for example "primary-treatment"
	Tooth    string      `json:"tooth"`    // ISO 3950 code
	Canals   CanalBelief `json:"canals"`
	Factor   Factor      `json:"factor"`
	// Begin is the state of the tooth before the first visit of this model; the
	// zero State is a tooth not yet opened.
	Begin State `json:"begin,omitzero"`

	Start  Block   `json:"start"`  // opens every visit: checks, anaesthesia, dam; has no PerCanal steps or events
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

// State is where a treatment stands at a stopping point.
type State struct {
	Stage int `json:"stage"` // stages done
	Canal int `json:"canal"` // canals done within a stage that stops after each canal, else 0
	Found int `json:"found"` // canals found so far; 0 before they are located
}

// CanalBelief is what is believed about the number of canals to treat, before
// the tooth is opened.
type CanalBelief struct {
	// P[n] is the probability of exactly n canals to treat; P[0] is 0; sums to 1.
	// It is the belief before the search of the first stage that locates; for a
	// treatment that has Begun, still that belief: the search so far is applied
	// by the solver.
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
// scope, independently of everything else in the model.
type Event struct {
	ID          string  `json:"id"`
	PerCanal    bool    `json:"per_canal"`   // drawn once for each canal worked on in the block, else once
	Probability float64 `json:"probability"` // given the difficulty
	Minutes     Minutes `json:"minutes"`     // added when it happens
	// BarsFilling: when it happens no stage that Fills may begin or continue in
	// this visit. Other work may go on, and the visit ends at the latest at the
	// stopping point before the filling. Not used inside a stage that Fills, nor
	// in an End.
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
	// included, before the other steps and the events are added; in a stage with
	// StopAfterCanal it holds for each portion. Catch-up is no part of it, and
	// an earlier stage's Contact is not imposed again by catch-up.
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
	// one portion of this stage that searches (see Model).
	Discovery float64 `json:"discovery"`
	// StopAfterCanal puts a stopping point after each canal; not in a stage that
	// locates.
	StopAfterCanal bool `json:"stop_after_canal"`
	// Fills marks the stage that fills the canals: option k forbids it before
	// visit k, and a BarsFilling event of the visit forbids it.
	Fills bool  `json:"fills"`
	Gate  *Gate `json:"gate,omitempty"`
}

// Gate is the chance that the tooth is ready when a stage is about to begin
// (dry, free of pain and swelling). It is drawn once each time the stage is
// about to begin, after the clinician decided to go on, and not again between
// the canals of one stage. When the tooth is not ready the visit ends in the
// state before the stage, and a further visit is needed.
type Gate struct {
	// FirstVisit is the probability of being ready in visit 1 of a model whose
	// Begin is the zero State.
	FirstVisit float64 `json:"first_visit"`
	AfterDress float64 `json:"after_dress"` // in every other visit
	Check      Minutes `json:"check"`       // minutes of the check itself, spent whatever it shows
}

// Stop is a state of the tooth in which a visit may end. A stopping point
// between the canals of stage i belongs to Stops[i].
type Stop struct {
	ID      string `json:"id"`
	Allowed bool   `json:"allowed"` // may be chosen; a stop that is not allowed is only forced
	// End closes a visit at this stop: dress and seal, or the end of treatment.
	// Its PerCanal steps and events are for every canal found.
	End Block `json:"end"`
	// Resume opens a later visit from this stop, after Start: re-access, removal
	// of the dressing. Its PerCanal steps and events are for every canal found.
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

// Bear limits what this patient can bear: the probability that a visit, given
// that it happens, lasts longer than Minutes (its minutes rounded to the nearest
// whole one) must not exceed Chance in any visit. Minutes 0 means no limit.
type Bear struct {
	Minutes int     `json:"minutes"`
	Chance  float64 `json:"chance"`
}
