package protocol

const timesHead = `# Treatment times: what was published, and what the model says

This page is written by a test from the real model, so it cannot go stale:
` + "`go test ./planner/protocol -run TreatmentTimes -update`" + ` writes it anew, and the
ordinary test run fails when the figures have moved.

One study sets the medians: **Wong 2015**. Two figures were fitted to it, the
pace of the steps done once (` + "`factors.pace.visit`" + `) and the pace of the steps done
on every canal (` + "`factors.pace.canal`" + `), so that the means for one and for several
canals come out. They multiply base medians that were set beforehand from
common practice, with the part-times of the literature in view. Nothing else
was fitted, and what disagrees below was left as it is.

Teeth that are not ready to be filled are left out of the predictions here: the
arm of a trial holds the teeth that were finished as allocated. Who was treated
in each study is known only in outline; the mixes of teeth, diagnoses and
difficulty are assumed (planner/protocol/testdata/studies.json): six in ten
teeth of minimal difficulty, three moderate, one high.
`

var timesRoles = map[string][2]string{
	"calibration": {"Calibration", "These rows were used to set figures and count as no check. The standard deviations were not fitted."},
	"follows":     {"Follows from the calibration", "The overall mean of the same arm: with 37 and 74 minutes it needs 32 % one-canal teeth, which is the blend used. No check either."},
	"held out":    {"Held out", "Not used to set anything. The difference between one and several visits comes from the arm of Wong 2015 that was not used. The division of a treatment into steps was made with part-times in view, so the row on preparation is no blind check."},
	"band":        {"Bands of usual practice", "Our own reading of usual total times, at moderate difficulty. A sanity check, no publication."},
}

const timesTail = `
## Where the model disagrees, and why it was left

- **One-visit trial of 168 teeth.** The trial names mature teeth with carious
  exposure and not which teeth, so that two readings are shown: a mixture agrees,
  molars alone come out longer. The mixture was written down after the second
  reading had been computed, so the row is no proof. What the trial's minutes
  include is not said in its abstract.
- **Emergency pulpectomy.** A median of 24 minutes for molars cannot hold
  anaesthesia, its wait, dam, full shaping of three canals and a seal at the pace
  of Wong 2015. The study probably counts a shorter stretch, or an emergency
  pulpectomy that shapes less; it shows that emergency visits must not be
  planned with the minutes of full cleaning, which is why emergency relief has
  its own protocol.
- **Spread for one canal.** The model is narrower than the study: differences
  between dentists are not in it until a practice's own times are known.
- **Rubber dam.** Students against practised hands.
- **Preparation.** Multi-file work comes out a little short, single-file work
  long. The published standard deviation of the single-file
  arm is three times its mean, which speaks of a few gross outliers; the shipped
  figure is meant for multi-file rotary work.

No study that was read gives chair time for retreatment, vital pulp therapy by
tooth, apical plugs, regenerative treatment or trauma visits: those minutes are
common practice or our assumptions, and are marked so wherever they are shown.
`
