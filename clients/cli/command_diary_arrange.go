package cli

import (
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// ArrangeCommand books a visit that no plan asks for.
type ArrangeCommand struct {
	For      string `arg:"" name:"patient" help:"The patient: id or reference."`
	Protocol string `help:"What for (catalogue protocols): consultation, emergency-relief, review ..." default:"consultation" placeholder:"ID"`
	At       string `required:"" help:"When: \"YYYY-MM-DD HH:MM\"." placeholder:"WHEN"`
	Minutes  int32  `required:"" help:"How long." placeholder:"MIN"`
	Case     string `help:"The case that it belongs to: id." placeholder:"ID"`
	Keep     int32  `help:"Keep it provisionally for so many minutes in place of booking it firmly." placeholder:"MIN"`
}

// Run books the visit with whoever and whatever is free for it.
func (c *ArrangeCommand) Run(s *Session) error {
	start, err := parseStart("--at", c.At)
	if err != nil {
		return err
	}
	patient, err := s.findPatient(c.For)
	if err != nil {
		return err
	}
	caseName := ""
	if c.Case != "" {
		caseName = s.name("cases", c.Case)
	}
	return s.arrange(patient.GetName(), caseName, c.Protocol, &vw.Place{Start: start, Minutes: c.Minutes}, c.Keep, nil)
}

// arrange books one place for a visit without a plan, and shows it.
func (s *Session) arrange(patient, caseName, protocol string, place *vw.Place, keep int32, why *vw.CallOccasion) error {
	booking, err := s.Client.Diary.BookOffer(s.Context, &vw.BookOfferRequest{Parent: s.parent(), Patient: patient, KeepMinutes: keep, Occasion: why, Places: []*vw.PlaceToBook{{
		Unplanned: &vw.UnplannedVisit{Protocol: protocol, Minutes: place.GetMinutes(), Case: caseName}, Place: place}}})
	if err != nil {
		return err
	}
	return s.showBooking(booking)
}
