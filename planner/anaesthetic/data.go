package anaesthetic

import (
	"bytes"
	"embed"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math/big"
	"strconv"
	"sync"

	"github.com/visitwright/visitwright/planner/provenance"
)

//go:embed data
var files embed.FS

// agentRow is a local anaesthetic as it comes in cartridges.
type agentRow struct {
	ID              string  `json:"id"`
	Name            string  `json:"name"`
	Vasoconstrictor string  `json:"vasoconstrictor"` // with, without or either
	LeastPercent    float64 `json:"least_percent"`
	MostPercent     float64 `json:"most_percent"`
}

type vasoconstrictorRow struct {
	ID             string           `json:"id"`
	Name           string           `json:"name"`
	LimitMG        float64          `json:"limit_mg"` // 0: no limit at hand
	CardiacLimitMG float64          `json:"cardiac_limit_mg"`
	LeastPer       int              `json:"least_per"`
	MostPer        int              `json:"most_per"`
	Mark           *provenance.Mark `json:"mark"`
}

type bounds struct {
	LeastWeightKG       float64         `json:"least_weight_kg"`
	MostWeightKG        float64         `json:"most_weight_kg"`
	LeastCartridgeML    float64         `json:"least_cartridge_ml"`
	MostCartridgeML     float64         `json:"most_cartridge_ml"`
	MostCartridgesGiven float64         `json:"most_cartridges_given"`
	Mark                provenance.Mark `json:"mark"`
}

type cautionRow struct {
	Agent string          `json:"agent"` // "" = all
	Text  string          `json:"text"`
	Mark  provenance.Mark `json:"mark"`
}

// use says what a limit row is for; see data/limits.csv.
type use string

const (
	used     use = "used"
	conflict use = "conflict"
	kept     use = "kept"
)

type limitRow struct {
	profile, agent string
	perKG, most    *big.Rat // nil = the source gives none
	use            use
	mark           provenance.Mark
}

type tables struct {
	Agents           []agentRow           `json:"agents"`
	AgentsMark       provenance.Mark      `json:"agents_mark"`
	Vasoconstrictors []vasoconstrictorRow `json:"vasoconstrictors"`
	Bounds           bounds               `json:"bounds"`
	Cautions         []cautionRow         `json:"cautions"`
	limits           []limitRow
}

// The tables are part of the program: a file that cannot be read is a fault of
// the build, which the tests of this package catch.
var shipped = sync.OnceValue(func() *tables {
	t, err := readTables()
	if err != nil {
		panic("anaesthetic data files: " + err.Error())
	}
	return t
})

func readTables() (*tables, error) {
	text, err := files.ReadFile("data/agents.json")
	if err != nil {
		return nil, err
	}
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	t := &tables{}
	if err := d.Decode(t); err != nil {
		return nil, fmt.Errorf("agents.json: %w", err)
	}
	text, err = files.ReadFile("data/limits.csv")
	if err != nil {
		return nil, err
	}
	t.limits, err = readLimits(text)
	return t, err
}

func readLimits(text []byte) ([]limitRow, error) {
	r := csv.NewReader(bytes.NewReader(text))
	r.Comment = '#'
	r.FieldsPerRecord = 7
	rows, err := r.ReadAll()
	if err != nil {
		return nil, fmt.Errorf("limits.csv: %w", err)
	}
	var out []limitRow
	for i, row := range rows[1:] {
		l := limitRow{profile: row[0], agent: row[1], use: use(row[4]), mark: provenance.Mark{Kind: provenance.Kind(row[5]), Source: row[6]}}
		if l.perKG, err = optional(row[2]); err != nil {
			return nil, fmt.Errorf("limits.csv row %d, mg_per_kg: %w", i+1, err)
		}
		if l.most, err = optional(row[3]); err != nil {
			return nil, fmt.Errorf("limits.csv row %d, most_mg: %w", i+1, err)
		}
		if l.perKG == nil && l.most == nil {
			return nil, fmt.Errorf("limits.csv row %d: want a limit by weight or an absolute one", i+1)
		}
		if l.use != used && l.use != conflict && l.use != kept {
			return nil, fmt.Errorf("limits.csv row %d, use %q: want used, conflict or kept", i+1, l.use)
		}
		if err := l.mark.Validate(); err != nil {
			return nil, fmt.Errorf("limits.csv row %d: %w", i+1, err)
		}
		out = append(out, l)
	}
	return out, nil
}

func optional(cell string) (*big.Rat, error) {
	if cell == "" {
		return nil, nil
	}
	v, ok := new(big.Rat).SetString(cell)
	if !ok || v.Sign() <= 0 {
		return nil, fmt.Errorf("%q: want a number above 0, or nothing", cell)
	}
	return v, nil
}

func (t *tables) agent(id string) (agentRow, bool) {
	for _, a := range t.Agents {
		if a.ID == id {
			return a, true
		}
	}
	return agentRow{}, false
}

func (t *tables) vasoconstrictor(id string) (vasoconstrictorRow, bool) {
	for _, v := range t.Vasoconstrictors {
		if v.ID == id {
			return v, true
		}
	}
	return vasoconstrictorRow{}, false
}

// exact takes a number as the decimal that was typed: 4.4 is 44/10, so that
// rounding down never loses a cartridge to binary fractions. v must be finite.
func exact(v float64) *big.Rat {
	r, _ := new(big.Rat).SetString(strconv.FormatFloat(v, 'f', -1, 64))
	return r
}
