package cli

import (
	"strconv"
	"strings"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// FindingsFlags is what was found, from the command line.
type FindingsFlags struct {
	Diagnosis       string   `help:"What is wrong with the pulp, for example necrosis (catalogue pulpal-diagnoses)." placeholder:"ID"`
	Apical          string   `help:"What is wrong at the root end (catalogue apical-diagnoses)." placeholder:"ID"`
	RadiographCount *int32   `help:"Canals that the radiograph shows." placeholder:"N"`
	CBCTCount       *int32   `name:"cbct-count" help:"Canals that the CBCT shows." placeholder:"N"`
	Sign            []string `help:"Another sign: ID when seen, ID=N when counted, ID=absent when looked for and not seen (catalogue evidence-signs). Repeat." sep:"none" placeholder:"ID[=N]"`
	ExpectedCanals  *int32   `help:"Canals you expect to find at access; without it the forecast says." placeholder:"N"`
	Answer          []string `help:"An answer of the difficulty form, CRITERION=ANSWER (catalogue difficulty-criteria). Repeat." sep:"none" placeholder:"ID=ID"`
	Edition         string   `help:"Edition of the difficulty form; without it the practice's." placeholder:"ID"`
	Shape           string   `help:"Shape of the canal system that was seen, for example c-shaped (catalogue anatomy-kinds)." placeholder:"ID"`
	MouthOpening    *float64 `help:"How far the mouth opens, in mm." placeholder:"MM"`
	Factor          []string `help:"A further fact that changes times, for example narrow-mesial-canals (catalogue factors). Repeat." sep:"none" placeholder:"ID"`
	BearMinutes     int32    `help:"Longest that this patient can bear in the chair, in minutes." placeholder:"MIN"`
	BearChance      *float64 `help:"Chance of passing it that is accepted; 0.1 unless said." placeholder:"P"`
}

// usualBearChance is how seldom a limit of the patient may be passed, unless said
// otherwise. Assumed.
const usualBearChance = 0.1

// findings turns the flags into the contract's message.
func (f *FindingsFlags) findings() (*vw.Findings, error) {
	m := &vw.Findings{Edition: f.Edition, ExpectedCanals: f.ExpectedCanals, Factors: f.Factor, Shape: f.Shape, MouthOpeningMm: f.MouthOpening}
	if f.Diagnosis != "" || f.Apical != "" {
		m.Diagnosis = &vw.Diagnosis{Pulpal: f.Diagnosis, Apical: f.Apical}
	}
	if f.RadiographCount != nil {
		m.Evidence = append(m.Evidence, &vw.Evidence{Sign: "film-count", Count: f.RadiographCount})
	}
	if f.CBCTCount != nil {
		m.Evidence = append(m.Evidence, &vw.Evidence{Sign: "cbct-count", Count: f.CBCTCount})
	}
	for _, text := range f.Sign {
		e, err := parseSign(text)
		if err != nil {
			return nil, err
		}
		m.Evidence = append(m.Evidence, e)
	}
	for _, text := range f.Answer {
		criterion, answer, found := strings.Cut(text, "=")
		if !found || criterion == "" || answer == "" {
			return nil, usage("--answer %q: want CRITERION=ANSWER, for example crown-form=very-unusual", text)
		}
		m.Answers = append(m.Answers, &vw.Answer{Criterion: criterion, Answer: answer})
	}
	if f.BearMinutes < 0 {
		return nil, usage("--bear-minutes %d: want minutes above 0", f.BearMinutes)
	}
	if f.BearChance != nil && f.BearMinutes == 0 {
		return nil, usage("--bear-chance says how seldom --bear-minutes may be passed: give both")
	}
	if f.BearMinutes > 0 {
		m.Tolerance = &vw.Tolerance{Minutes: f.BearMinutes, Chance: usualBearChance}
		if f.BearChance != nil {
			m.Tolerance.Chance = *f.BearChance
		}
	}
	return m, nil
}

func parseSign(text string) (*vw.Evidence, error) {
	sign, value, given := strings.Cut(text, "=")
	e := &vw.Evidence{Sign: sign}
	switch {
	case sign == "":
		return nil, usage("--sign %q: want ID, ID=N or ID=absent", text)
	case !given:
		return e, nil
	case value == "absent":
		e.Absent = true
		return e, nil
	}
	n, err := strconv.ParseInt(value, 10, 32)
	if err != nil {
		return nil, usage("--sign %q: want a whole number of canals after =, or absent", text)
	}
	count := int32(n)
	e.Count = &count
	return e, nil
}
