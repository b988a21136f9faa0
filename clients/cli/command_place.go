package cli

import (
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// PlaceCommand checks, and books, a place that was chosen by hand.
type PlaceCommand struct {
	Cases    []string `arg:"" name:"case" help:"Ids of the cases: one, or several teeth of one patient in the same visit."`
	At       string   `required:"" help:"When: \"YYYY-MM-DD HH:MM\"." placeholder:"WHEN"`
	Visit    int32    `help:"Which visit of the option." default:"1" placeholder:"N"`
	Option   string   `help:"Id of the option; without it the accepted one, else the recommended one." placeholder:"ID"`
	Minutes  int32    `help:"A length other than the plan's." placeholder:"MIN"`
	Book     bool     `help:"Book it, if nothing forbids it."`
	Keep     int32    `help:"Keep it provisionally for so many minutes in place of booking it firmly." placeholder:"MIN"`
	Override string   `help:"Your reason, as a clinician, for a place outside the return window." placeholder:"TEXT"`
}

// Run says what speaks against the place, and books it when asked.
func (c *PlaceCommand) Run(s *Session) error {
	start, err := parseStart("--at", c.At)
	if err != nil {
		return err
	}
	place := &vw.Place{Start: start, Minutes: c.Minutes}
	var parts []*vw.VisitPart
	var patient string
	for i, id := range c.Cases {
		found, err := s.planner().GetCase(s.Context, &vw.GetCaseRequest{Name: s.name("cases", id)})
		if err != nil {
			return err
		}
		plan, err := s.plan(id, 0)
		if err != nil {
			return err
		}
		parts = append(parts, &vw.VisitPart{Plan: plan, Option: c.Option, Visit: c.Visit})
		if i == 0 {
			patient = found.GetPatient()
		}
	}
	checked, err := s.Client.Diary.CheckPlace(s.Context, &vw.CheckPlaceRequest{Parent: s.parent(), Parts: parts, Place: place})
	if err != nil {
		return err
	}
	if c.Book {
		put := &vw.PlaceToBook{Parts: parts, Place: checked.GetPlace().GetPlace()}
		if c.Override != "" {
			put.Override = &vw.WindowOverride{Reason: c.Override}
		}
		booking, err := s.Client.Diary.BookOffer(s.Context, &vw.BookOfferRequest{
			Parent: s.parent(), Patient: patient, Places: []*vw.PlaceToBook{put}, KeepMinutes: c.Keep})
		if err != nil {
			return err
		}
		return s.showBooking(booking)
	}
	t, err := s.titles()
	if err != nil {
		return err
	}
	return s.Show(checked, func(p *Page) { showChecked(p, checked, t) })
}

func showChecked(p *Page, c *vw.CheckPlaceResponse, t titles) {
	p.Title("%s", when(c.GetPlace().GetPlace()))
	if with := t.with(c.GetPlace().GetPlace()); with != "" {
		p.Field("with", "%s", with)
	}
	if len(c.GetPlace().GetWarnings()) == 0 {
		p.Text("Nothing speaks against it.")
	}
	for _, w := range c.GetPlace().GetWarnings() {
		text := w.GetText()
		switch {
		case w.GetForbids() && w.GetClinicianMayOverride():
			text += " (a clinician may override it with the reason)"
		case w.GetForbids():
			text += " (cannot be booked)"
		}
		p.Item("%s", text)
	}
	if len(c.GetEffects()) > 0 {
		p.Heading("Later visits")
		showEffects(p, c.GetEffects())
	}
}
