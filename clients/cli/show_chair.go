package cli

import (
	"fmt"
	"strings"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// ShowChair writes a visit as the chair needs it: what must be done first, then
// minutes and odds beside the ready-to-fill check, never blended, then the
// record.
func ShowChair(p *Page, v *vw.ChairVisit) {
	p.Title("Visit %s: %s", shortID(v.GetName()), toothWords(v.GetTooth()))
	if v.GetIdentity() != "" {
		p.Text("%s", v.GetIdentity())
	}
	p.Field("what", "%s", v.GetTitle())
	p.Field("stands", "%s, %s booked", words(v.GetPhase().String(), "PHASE_"), minutes(float64(v.GetAppointmentMinutes())))
	for _, text := range nonEmpty(v.GetEndsTreatment(), v.GetMustStop()) {
		p.Item("%s", text)
	}
	for _, text := range v.GetConsentNeeded() {
		p.Box("consent is asked for again: %s", text)
	}
	for _, text := range v.GetWarnings() {
		p.Item("mind: %s", text)
	}
	showAnswer(p, v)
	if r := v.GetReady(); r != nil && v.GetPhase() != vw.ChairVisit_PHASE_ENDED {
		p.Heading("Ready to fill?")
		if len(r.GetAgainst()) == 0 {
			p.Text("%s", sentence(r.GetText()))
		}
		for _, text := range r.GetAgainst() {
			p.Item("%s", text)
		}
		if len(r.GetAgainst()) > 0 && len(r.GetUnanswered()) > 0 {
			p.Item("not answered: %s", strings.Join(r.GetUnanswered(), ", "))
		}
	}
	showLeaves(p, v.GetAnswer())
	if len(v.GetEvents()) > 0 {
		p.Heading("What happened")
		for _, e := range v.GetEvents() {
			p.Item("minute %.0f: %s", e.GetMinute(), e.GetTitle())
			if e.GetFirst() != "" {
				own := ""
				if e.GetOwnInstruction() {
					own = " [this practice]"
				}
				p.Under("first: %s%s", e.GetFirst(), own)
			}
			if r := e.GetRule(); r != nil {
				p.Under("filling in this visit: %s: %s%s", stanceWords(r.GetStance()), r.GetText(), mark(r.GetProvenance()))
			}
		}
	}
	if len(v.GetCanals()) > 0 {
		p.Heading("Canals")
		for _, c := range v.GetCanals() {
			p.Item("%s: %s", c.GetCanal(), orElse(strings.TrimPrefix(c.GetText(), c.GetCanal()+": "), words(c.GetState(), "")))
			if c.GetUndecided() != "" && !strings.Contains(c.GetText(), c.GetUndecided()) {
				p.Under("to be decided: %s", c.GetUndecided())
			}
		}
	}
	showRecord(p, v)
	showWindow(p, v.GetReturnWindow())
}

func showAnswer(p *Page, v *vw.ChairVisit) {
	a := v.GetAnswer()
	if a == nil {
		return
	}
	p.Heading("Now")
	if a.GetHeadline() != "" {
		p.Text("%s", a.GetHeadline())
	}
	step := a.GetStep()
	if a.GetCanal() != "" {
		step += ", " + a.GetCanal()
	}
	p.Field("step", "%s", step)
	spare := fmt.Sprintf("%.0f to spare", a.GetSpareMinutes())
	if a.GetSpareMinutes() < 0 {
		spare = fmt.Sprintf("%.0f short", -a.GetSpareMinutes())
	}
	p.Field("minutes", "%.0f used, %.0f left, %s", a.GetUsedMinutes(), a.GetLeftMinutes(), spare)
	p.Field("inside the time", "%s", sayOdds(a.GetOnTime()))
	var rows [][]string
	for _, w := range a.GetWays() {
		decide := "not any more"
		if w.GetDecideBy() != nil {
			decide = fmt.Sprintf("minute %.0f", w.GetDecideBy().AsTime().Sub(v.GetBeginTime().AsTime()).Minutes())
		}
		title := w.GetTitle()
		if !w.GetAllowed() {
			title += " (only when forced)"
		}
		rows = append(rows, []string{chance(w.GetOdds()), minutes(w.GetExpectedMinutes()), minutes(w.GetEightInTenMinutes()), decide, title})
	}
	p.Table([]string{"time fits", ">takes", ">8 in 10", "decide by", "way on"}, rows)
	if a.GetAdvice() != "" {
		p.Text("%s", a.GetAdvice())
	}
	for _, text := range a.GetWouldChange() {
		p.Item("would change it: %s", text)
	}
}

// showLeaves says what each way leaves in the tooth, what is usually placed
// then, and when the patient would come back.
func showLeaves(p *Page, a *vw.ChairAnswer) {
	headed := false
	for _, w := range a.GetWays() {
		var lines []string
		if w.GetText() != "" {
			lines = append(lines, w.GetText())
		}
		if placed := nonEmpty(words(w.GetClosing().GetMedicament(), ""), words(w.GetClosing().GetTemporary(), "")); len(placed) > 0 {
			lines = append(lines, "usually placed: "+strings.Join(placed, ", "))
		}
		if r := w.GetReturnWindow(); r.GetLatest() != nil && !strings.Contains(w.GetText(), "Return ") {
			lines = append(lines, fmt.Sprintf("return after %d to %d days, best after %d", r.GetEarliest().GetDays(), r.GetLatest().GetDays(), r.GetTarget().GetDays()))
		}
		if len(lines) == 0 {
			continue
		}
		if !headed {
			p.Heading("What each way leaves")
			headed = true
		}
		p.Item("%s", w.GetTitle())
		for _, line := range lines {
			p.Under("%s", line)
		}
	}
}

func showRecord(p *Page, v *vw.ChairVisit) {
	if len(v.GetWork()) > 0 {
		p.Heading("Done")
		var rows [][]string
		for _, w := range v.GetWork() {
			took := minutes(w.GetMinutes())
			switch {
			case w.GetCaughtUp():
				took = "caught up"
			case w.GetMinutes() == 0:
				took = ""
			}
			rows = append(rows, []string{took, w.GetCanal(), w.GetTitle()})
		}
		p.Table([]string{">took", "canal", "step"}, rows)
	}
	if len(v.GetGiven()) > 0 {
		p.Field("given", "%s", strings.Join(v.GetGiven(), "; "))
		for _, a := range v.GetAnaesthetic().GetAgents() {
			p.Field("still allowed", "%s of %s; `chair inject` shows the arithmetic", plural(int(a.GetMostCartridges()), "whole cartridge", "whole cartridges"), a.GetText())
		}
	}
	for _, r := range v.GetRadiographs() {
		p.Field("radiograph", "%s", r.GetJustification())
	}
	if c := v.GetClosing(); c != nil && v.GetPhase() == vw.ChairVisit_PHASE_ENDED {
		p.Field("in the chair", "%s", minutes(v.GetChairMinutes()))
		if c.GetStop() != "" {
			p.Field("left as", "%s", words(c.GetStop(), ""))
		}
		p.Field("dressing", "%s", orElse(words(c.GetMedicament(), ""), "none"))
		p.Field("temporary", "%s", orElse(words(c.GetTemporary(), ""), "none"))
		if c.GetForcedBecause() != "" {
			p.Field("ended early", "%s", c.GetForcedBecause())
		}
	}
}

func showReplan(p *Page, r *vw.ReplanVisitResponse) {
	if r.GetComplete() {
		p.Text("The treatment is complete: there is nothing left to plan.")
	}
	if len(r.GetDifferences()) > 0 {
		p.Heading("What changes")
		for _, text := range r.GetDifferences() {
			p.Item("%s", text)
		}
	}
	if len(r.GetBookings()) > 0 {
		p.Heading("Bookings")
		for _, b := range r.GetBookings() {
			p.Item("%s: %s", shortID(b.GetAppointment()), b.GetText())
		}
	}
	showWindow(p, r.GetReturnWindow())
	if r.GetPlan() != nil && !r.GetComplete() {
		ShowPlan(p, r.GetPlan())
	}
}
