package cli

import (
	"fmt"
	"slices"
	"strings"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// ShowSheet writes the visit sheet: one page for nurse and clinician, in the
// order in which the visit needs it.
func ShowSheet(p *Page, s *vw.VisitSheet) {
	visit := int32(0)
	if len(s.GetTeeth()) > 0 {
		visit = s.GetTeeth()[0].GetPart().GetVisit()
	}
	if visit > 0 {
		p.Title("Visit sheet, visit %d", visit)
	} else {
		p.Title("Visit sheet")
	}
	p.Field("appointment", "%s; mean in the chair %s", minutes(float64(s.GetAppointmentMinutes())), minutes(s.GetChairMinutes().GetMean()))

	if len(s.GetRedFlags()) > 0 {
		p.Heading("Red flags, before anything else")
		for _, question := range s.GetRedFlags() {
			p.Box("%s", question)
		}
		p.Text("One yes: %s", orElse(s.GetUrgentInstruction(), "the practice's instruction for urgent care comes first; none is set (settings change --urgent-instruction)."))
	}
	p.Heading("Check first")
	id := s.GetIdentity()
	who := id.GetReference()
	if id.GetLabel() != "" {
		who += ", " + id.GetLabel()
	}
	p.Box("patient: %s. %s", who, sentence(id.GetSecondIdentifier()))
	if id.GetTeeth() != "" {
		p.Box("tooth: %s", id.GetTeeth())
	}
	if len(s.GetAlerts()) == 0 {
		p.Box("alerts: none on record; ask again")
	}
	for _, a := range s.GetAlerts() {
		text := words(a.GetAlert().GetKind(), "")
		if a.GetAlert().GetDetail() != "" {
			text += " (" + a.GetAlert().GetDetail() + ")"
		}
		p.Box("alert: %s: %s", text, a.GetEffect())
	}
	for _, t := range s.GetTeeth() {
		switch {
		case t.GetConsentGap() != "":
			p.Box("%s", t.GetConsentGap())
		case t.GetAccepted() != nil:
			p.Box("%s", consentWords(t.GetAccepted().GetConsent()))
		}
	}

	if len(s.GetSetOut()) > 0 {
		p.Heading("Set out")
		for _, item := range s.GetSetOut() {
			p.Box("%s", item)
		}
	}
	if len(s.GetStart()) > 0 {
		p.Heading("Start of the visit")
		showSteps(p, s.GetStart())
	}
	for _, t := range s.GetTeeth() {
		showPart(p, t)
	}
	if len(s.GetReasons()) > 0 {
		p.Heading("Against treating them in one visit")
		for _, r := range s.GetReasons() {
			p.Item("%s%s", r.GetText(), mark(r.GetProvenance()))
		}
	}
	showAnaesthetic(p, s.GetAnaesthetic())
	if len(s.GetCautions()) > 0 {
		p.Heading("Cautions")
		for _, c := range s.GetCautions() {
			p.Item("%s%s", c.GetText(), mark(c.GetProvenance()))
		}
	}
	if s.GetUrgentInstruction() != "" {
		p.Heading("If something goes wrong")
		p.Text("%s", s.GetUrgentInstruction())
	}
}

func showSteps(p *Page, steps []*vw.SheetStep) {
	var rows [][]string
	for i, s := range steps {
		text := s.GetText()
		var flags []string
		for _, m := range s.GetProvenance() {
			if flag := mark(m); strings.HasPrefix(flag, " [") && !contains(flags, flag) {
				flags = append(flags, flag)
			}
		}
		if s.GetStopFollows() {
			flags = append(flags, "  -- may stop here")
		}
		rows = append(rows, []string{fmt.Sprint(i + 1), minutes(s.GetMinutes()), text + strings.Join(flags, "")})
	}
	p.Table([]string{">", ">mean", "step"}, rows)
}

func contains(list []string, text string) bool {
	for _, v := range list {
		if v == text {
			return true
		}
	}
	return false
}

func showPart(p *Page, t *vw.ToothPart) {
	p.Heading("%s", toothWords(t.GetTooth()))
	if t.GetAim() != "" {
		p.Field("aim", "%s", t.GetAim())
	}
	if d := t.GetDifficulty(); d != nil && d.GetLevel() != vw.Difficulty_LEVEL_UNSPECIFIED {
		p.Field("difficulty", "%s", levelWords(d.GetLevel()))
	}
	showSteps(p, t.GetSteps())
	if len(t.GetCanals()) > 0 {
		p.Gap()
		showCanals(p, t.GetCanals())
	}
	if t.GetDressing() != "" {
		p.Field("dressing", "%s", t.GetDressing())
	}
	if t.GetTemporary() != "" {
		p.Field("temporary", "%s", t.GetTemporary())
	}
	showPolicy(p, t.GetPolicy(), t.GetPart().GetVisit(), len(t.GetCanals()) > 0)
}

// showCanals writes the canal table, with room for what is measured.
func showCanals(p *Page, canals []*vw.CanalRow) {
	usual := func(c *vw.CanalRow) string {
		low, high := c.GetShortestWorkingLength(), c.GetLongestWorkingLength()
		if low == nil || high == nil {
			return ""
		}
		return fmt.Sprintf("%.1f to %.1f mm%s", low.GetValue(), high.GetValue(), flagOnly(low.GetProvenance()))
	}
	same := true
	for _, c := range canals {
		same = same && usual(c) == usual(canals[0])
	}
	head := []string{"canal", "state", "there in", "zero", "length", "reference point"}
	if !same {
		head = append(head, "usual length")
	}
	var rows [][]string
	for _, c := range canals {
		row := []string{c.GetCanal(), words(c.GetState(), ""), chance(c.GetOdds()), "____ mm", "____ mm", "_______________"}
		if !same {
			row = append(row, usual(c))
		}
		rows = append(rows, row)
	}
	p.Table(head, rows)
	if same && usual(canals[0]) != "" {
		p.Text("Usual working length %s; zero is the apex locator's.", usual(canals[0]))
	}
}

func flagOnly(m *vw.Provenance) string {
	if text := mark(m); strings.HasPrefix(text, " [") {
		return text
	}
	return ""
}

// showPolicy writes the rows of the table in which the clinician has a choice
// in this visit; where no canal is entered, their number makes no row.
func showPolicy(p *Page, table *vw.PolicyTable, visit int32, canals bool) {
	var rows [][]string
	for _, r := range policyOf(table, visit) {
		if r.GetRule() == vw.PolicyRow_RULE_GO_ON || r.GetReached() < rarelyReached {
			continue
		}
		then := "stop here"
		switch {
		case r.LeastMinutes != nil && r.GetLeastMinutes() == 0:
			then = "go on"
		case r.LeastMinutes != nil:
			then = fmt.Sprintf("go on with %d min left, else stop here", r.GetLeastMinutes())
		}
		state := ""
		if canals {
			state = plural(int(r.GetState().GetCanalsFound()), "canal found", "canals found")
		}
		if r.GetState().GetCanalsDone() > 0 {
			state += fmt.Sprintf(", %d done", r.GetState().GetCanalsDone())
		}
		if r.GetFillingBarred() && canals {
			state += ", not to be filled today"
		} else if r.GetFillingBarred() {
			state = "not to be finished today"
		}
		at := words(r.GetStop(), "")
		if r.GetState().GetCanalsDone() > 0 {
			at = "between two canals"
		}
		row := []string{at, state, then}
		if !slices.ContainsFunc(rows, func(x []string) bool { return slices.Equal(x, row) }) {
			rows = append(rows, row)
		}
	}
	if len(rows) == 0 {
		return
	}
	p.Gap()
	p.Text("Go on or stop: what costs least at each point where the visit may stop. It weighs minutes; whether the tooth is ready is the clinician's to say.")
	head := []string{"at", "with", "then"}
	if !slices.ContainsFunc(rows, func(row []string) bool { return row[1] != "" }) {
		head = slices.Delete(head, 1, 2)
		for i := range rows {
			rows[i] = slices.Delete(rows[i], 1, 2)
		}
	}
	p.Table(head, rows)
}

// rarelyReached is the chance below which a row is left off the printed sheet;
// -o json has every row.
const rarelyReached = 0.01

// policyOf picks the rows of a visit; the last visit in the table stands for
// all later ones.
func policyOf(table *vw.PolicyTable, visit int32) []*vw.PolicyRow {
	last := int32(0)
	for _, r := range table.GetRows() {
		last = max(last, r.GetVisit())
	}
	var rows []*vw.PolicyRow
	for _, r := range table.GetRows() {
		if r.GetVisit() == min(visit, last) {
			rows = append(rows, r)
		}
	}
	return rows
}

func showAnaesthetic(p *Page, limit *vw.AnaestheticLimit) {
	if limit == nil {
		return
	}
	p.Heading("Local anaesthetic limit for this visit")
	if limit.GetNoNumberBecause() != "" {
		p.Text("%s", sentence(limit.GetNoNumberBecause()))
		return
	}
	for _, a := range limit.GetAgents() {
		cartridges := plural(int(a.GetMostCartridges()), "whole cartridge", "whole cartridges")
		switch {
		case a.GetExceeded():
			p.Item("%s: OVER THE LIMIT of %.0f mg: no further cartridge", a.GetText(), a.GetMostMg())
		case a.GetLeftMg() < a.GetMostMg():
			p.Item("%s: %.0f of %.0f mg left, %s more (the limit that binds: %s)", a.GetText(), a.GetLeftMg(), a.GetMostMg(), cartridges, words(a.GetBinding(), ""))
		default:
			p.Item("%s: at most %.0f mg, %s (the limit that binds: %s)", a.GetText(), a.GetMostMg(), cartridges, words(a.GetBinding(), ""))
		}
		for _, line := range a.GetArithmetic() {
			p.Under("%s", line)
		}
		for _, text := range a.GetCautions() {
			p.Under("mind: %s", text)
		}
		var from []string
		for _, m := range a.GetProvenance() {
			if text := strings.TrimSpace(mark(m)); text != "" && !contains(from, text) {
				from = append(from, text)
			}
		}
		if len(from) > 0 {
			p.Under("from %s", strings.Join(from, ", "))
		}
	}
	p.Text("All teeth and all injections of the day count together; count again before each further cartridge.")
}
