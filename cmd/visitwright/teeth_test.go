package main

import (
	"path"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// shown reads what a command says as JSON.
func shown[M proto.Message](h *home, into M, args ...string) M {
	h.t.Helper()
	page := h.mustAt(monday, append(args, "--output", "json")...)
	if err := protojson.Unmarshal([]byte(page), into); err != nil {
		h.t.Fatalf("%v\n%s", err, page)
	}
	return into
}

func TestSeveralTeethOfOnePatientAreBookedWithOneStart(t *testing.T) {
	h := newHome(t)
	h.furnish()
	// A start that is shared spares less than a quarter of an hour.
	h.mustAt(monday, "settings", "change", "--file", writeFile(t, `{"grid": {"least": 15, "most": 150, "step": 5}}`))
	var teeth []string // two incisors, as after a fall
	for _, tooth := range []string{"11", "12"} {
		id := h.id(h.mustAt(monday, "case", "open", "--patient", "INVENTED-0046", "--tooth", tooth, "--protocol", "primary-treatment", "--diagnosis", "irreversible-pulpitis"), "Case")
		h.mustAt(monday, "assess", id, "--diagnosis", "irreversible-pulpitis", "--radiograph-count", "1")
		h.mustAt(monday, "propose", id)
		h.mustAt(monday, "accept", id, "--option", "one-visit", "--consent", "written")
		teeth = append(teeth, id)
	}
	first, second := teeth[0], teeth[1]

	alone := map[int32]int32{} // by visit, both teeth one after the other
	for _, id := range []string{first, second} {
		for _, v := range optionIn(shown(h, &vw.Plan{}, "revisions", id, "1"), "one-visit").GetVisits() {
			alone[v.GetNumber()] += v.GetAppointmentMinutes()
		}
	}
	together := shown(h, &vw.SharedVisits{}, "together", first, second)
	offers := shown(h, &vw.FindOffersResponse{}, "offers", first, second, "--most", "1", "--visit", "1").GetOffers()
	if len(offers) != 1 || len(offers[0].GetPlaces()) != 1 {
		t.Fatalf("%v", offers)
	}
	place := offers[0].GetPlaces()[0]
	if got := place.GetPlace().GetMinutes(); got >= alone[1] {
		t.Errorf("%d minutes together, %d one after the other", got, alone[1])
	}
	// The recommended options are the accepted ones here, so that the two
	// answers speak of the same visit.
	for i, p := range together.GetVisits()[0].GetParts() {
		if p.GetOption() != place.GetParts()[i].GetOption() {
			t.Fatalf("recommended is %s, booked is %s", p.GetOption(), place.GetParts()[i].GetOption())
		}
	}
	if got, want := place.GetPlace().GetMinutes(), together.GetVisits()[0].GetAppointmentMinutes(); got != want {
		t.Errorf("offered %d minutes, the teeth together take %d", got, want)
	}
	// By hand too, and late patients hear of the same visit.
	checked := shown(h, &vw.CheckPlaceResponse{}, "place", first, second, "--at", "2027-03-03 09:00")
	if got := checked.GetPlace().GetPlace().GetMinutes(); got != place.GetPlace().GetMinutes() {
		t.Errorf("by hand %d minutes, offered %d", got, place.GetPlace().GetMinutes())
	}
	booked := shown(h, &vw.Booking{}, "place", first, second, "--at", "2027-03-03 09:00", "--book")
	appointment := booked.GetAppointments()[0]
	if got := appointment.GetPlace().GetMinutes(); got != place.GetPlace().GetMinutes() || len(appointment.GetParts()) != 2 {
		t.Errorf("booked %v", appointment)
	}
	late := shown(h, &vw.Appointment{}, "appointment", "note", path.Base(appointment.GetName()), "arrived", "--late", "5")
	if p := late.GetLateOutlook().GetOnTime().GetProbability(); p <= 0.3 || p > together.GetVisits()[0].GetOnTime().GetProbability() {
		t.Errorf("5 minutes late: %v, in time %v", late.GetLateOutlook(), together.GetVisits()[0].GetOnTime())
	}
}

func optionIn(p *vw.Plan, id string) *vw.TreatmentOption {
	for _, o := range p.GetOptions() {
		if o.GetId() == id {
			return o
		}
	}
	return nil
}

func TestEveryCostOfAnOfferHasItsEntryInTheCatalogue(t *testing.T) {
	h := newHome(t)
	list := h.mustAt(monday, "catalogue", "offer-costs")
	for _, id := range []string{"wait", "target", "change", "capacity"} {
		if !strings.Contains(list, "\n"+id+" ") {
			t.Errorf("no cost %s in\n%s", id, list)
		}
	}
}
