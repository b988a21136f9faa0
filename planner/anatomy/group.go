package anatomy

import (
	"fmt"
	"strings"
)

// overruled says why evidence below the number located no longer counts.
func overruled(e Evidence, located int) string {
	switch {
	case located == 0 || e.Sign == CanalsLocated:
		return ""
	case isSearch(e.Sign) && e.Count < located:
		return fmt.Sprintf("%s located since", canalsText(located))
	case e.Count > 0 && e.Count < located && e.Sign != ContralateralCount && e.Sign != FilledCount:
		return fmt.Sprintf("%s located, which overrules it", canalsText(located))
	case e.Sign == FurtherOrifice && e.Count <= located:
		return "that canal is located already"
	}
	return ""
}

// setAsideLesserNegatives: what a worse image does not show is no evidence
// once a better image shows it.
func setAsideLesserNegatives(items []*item) {
	for _, better := range items {
		if better.aside != "" || better.shift <= 0 || better.row.form != formCount {
			continue
		}
		for _, worse := range items {
			if worse.row.group == better.row.group && worse.row.rank < better.row.rank && worse.shift < 0 && worse.aside == "" {
				worse.aside = "a better image shows more (" + phrase(better.Evidence) + ")"
			}
		}
	}
}

// choose picks, in each group, at most one piece for a further canal and one
// against, and returns the shares that follow.
//
// Pieces for are picked to raise the odds of a further canal most, pieces
// against then to lower them most. A further piece for can therefore never
// lower the odds, nor one against raise them, whatever else is known.
func choose(start []float64, items []*item, further int) []float64 {
	var groups []string
	picks := map[string]*picking{}
	for _, it := range items {
		if it.aside != "" || it.row.form == formLocated {
			it.counted = it.row.form == formLocated
			continue
		}
		g, ok := picks[it.row.group]
		if !ok {
			g = &picking{}
			picks[it.row.group] = g
			groups = append(groups, it.row.group)
		}
		switch {
		case it.shift > 0:
			g.pro = append(g.pro, it)
		case it.shift < 0:
			g.con = append(g.con, it)
		default:
			it.aside = "it says nothing about a further canal of this tooth"
		}
	}
	var slots [][]*item // pros first, then cons
	for _, name := range groups {
		if g := picks[name]; len(g.pro) > 0 {
			slots = append(slots, g.pro)
		}
	}
	pros := len(slots)
	for _, name := range groups {
		if g := picks[name]; len(g.con) > 0 {
			slots = append(slots, g.con)
		}
	}
	best := search(start, slots, 0, pros, further)
	for _, it := range best.picked {
		it.counted = true
	}
	strongest := map[string][]string{}
	for _, it := range best.picked {
		strongest[it.row.group] = append(strongest[it.row.group], phrase(it.Evidence))
	}
	for _, it := range items {
		if !it.counted && it.aside == "" {
			it.aside = "it looks at the same thing as what already counts"
			if s := strongest[it.row.group]; len(s) > 0 {
				it.aside += " (" + strings.Join(s, "; ") + ")"
			}
		}
	}
	return best.p
}

type picking struct{ pro, con []*item }

type pick struct {
	p      []float64
	value  float64
	picked []*item
}

// search tries every choice of one piece or none from each slot: the slots of
// pieces for maximise the odds of a further canal, those against minimise them.
func search(p []float64, slots [][]*item, at, pros, further int) pick {
	if at == len(slots) {
		return pick{p: p, value: atLeast(p, further)}
	}
	best := search(p, slots, at+1, pros, further)
	for _, it := range slots[at] {
		got := search(multiply(p, it.likely), slots, at+1, pros, further)
		better := got.value > best.value
		if at >= pros {
			better = got.value < best.value
		}
		if better {
			got.picked = append(got.picked, it)
			best = got
		}
	}
	return best
}
