package scheduler_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/pgtest"
	"github.com/visitwright/visitwright/store/storetest"
)

// busyYear is a practice of twenty rooms, ten clinicians, twenty nurses and one
// microscope for each five rooms, of which a year is about 85 % full: mornings
// and days near today fuller than the rest, from a fixed seed.
type busyYear struct {
	store    *store.Store
	database string
	request  *vw.FindOffersRequest
	now      func() time.Time
}

func newBusyYear(b *testing.B, postgres bool) *busyYear {
	b.Helper()
	y := &busyYear{database: filepath.Join(b.TempDir(), "year.db"), now: func() time.Time { return aWednesday }}
	if postgres {
		y.database, _ = pgtest.New(b, migrate)
	}
	y.store = y.open(b)
	ctx := b.Context()
	must := func(err error) {
		b.Helper()
		if err != nil {
			b.Fatal(err)
		}
	}
	call := store.Call{Practice: willow, Actor: "bench", Role: store.RoleManager, Method: "/bench"}
	_, err := y.store.CreatePractice(ctx, store.NewPractice{ID: willow, Name: "Willow Lane", Zone: "Europe/Vienna", Settings: []byte(`{"diary":{"access_equipment_class":"microscope","nurse_throughout":true,"wait_cost":20,"target_cost":10,"capacity_cost":10}}`),
		Tokens: []store.Token{{ID: "first", Role: store.RoleManager, Hash: [32]byte{1}}}})
	must(err)
	put := func(r store.Resource) store.ResourceRef {
		r.Active, r.Name = true, "x"
		got, err := y.store.PutResource(ctx, call, r)
		must(err)
		return got.ResourceRef
	}
	var rooms, nurses, clinicians, scopes []store.ResourceRef
	for i := range 20 {
		rooms = append(rooms, put(store.Resource{ResourceRef: store.ResourceRef{Kind: store.KindRoom}, PreparationMinutes: 5, CleanUpMinutes: 5}))
		nurses = append(nurses, put(store.Resource{ResourceRef: store.ResourceRef{Kind: store.KindNurse}}))
		if i%2 == 0 {
			c, err := y.store.PutClinician(ctx, call, store.Clinician{Name: "x", Active: true})
			must(err)
			clinicians = append(clinicians, store.ResourceRef{Kind: store.KindClinician, ID: c.ID})
		}
		if i%5 == 4 {
			r := store.Resource{ResourceRef: store.ResourceRef{Kind: store.KindEquipment}, Class: "microscope"}
			for _, room := range rooms[len(rooms)-5:] {
				r.Rooms = append(r.Rooms, room.ID)
			}
			scopes = append(scopes, put(r))
		}
	}
	var rules []store.HoursRule
	for day := 1; day <= 5; day++ {
		rules = append(rules, store.HoursRule{Weekday: day, StartMinute: 480, EndMinute: 1080, EveryWeeks: 1})
	}
	_, err = y.store.PutHours(ctx, call, store.Hours{Rules: rules})
	must(err)
	p, err := y.store.CreatePatient(ctx, call, store.Patient{Reference: "P-1"})
	must(err)
	c, err := y.store.CreateCase(ctx, call, store.Case{PatientID: p.ID, Tooth: 46, Protocol: "primary-treatment"})
	must(err)
	document, err := proto.Marshal(&vw.Plan{Protocol: "primary-treatment", Options: []*vw.TreatmentOption{{Id: "two", Feasible: true}}})
	must(err)
	_, err = y.store.SavePlanRevision(ctx, call, store.NewPlanRevision{CaseID: c.ID, Cause: "proposal", Recommended: "two", Document: document, Visits: []store.PlannedVisit{
		{Option: "two", Visit: 1, Minutes: 60}, {Option: "two", Visit: 2, Minutes: 45, EarliestDays: days(7), TargetDays: days(14), LatestDays: days(28)}}})
	must(err)
	plan := "practices/" + willow + "/cases/" + c.ID + "/plans/1"
	y.request = &vw.FindOffersRequest{Parent: "practices/" + willow, Patient: "practices/" + willow + "/patients/" + p.ID, Visits: both(plan)}

	rng := rand.New(rand.NewPCG(11, 12))
	var items []store.ExternalAppointment
	flush := func() {
		_, err := y.store.TakeIn(ctx, call, items)
		must(err)
		items = items[:0]
	}
	n := 0
	for day := range horizonDays {
		date := aWednesday.Truncate(24*time.Hour).AddDate(0, 0, day)
		if wd := date.Weekday(); wd == time.Saturday || wd == time.Sunday {
			continue
		}
		for i, who := range clinicians {
			for at := 480; at < 1080-30; {
				length := []int{30, 45, 60, 90}[rng.IntN(4)]
				if at+length > 1080 {
					break
				}
				if rng.Float64() < 0.12+0.06*float64(at-480)/600 { // a gap, likelier in the afternoon
					at += 15 + 15*rng.IntN(3)
					continue
				}
				start, end := date.Add(time.Duration(at-60)*time.Minute), date.Add(time.Duration(at-60+length)*time.Minute)
				room := 2*i + n%2
				spans := []store.Span{{ResourceRef: who, Start: start, End: end}, {ResourceRef: rooms[room], Start: start, End: end}, {ResourceRef: nurses[room], Start: start, End: end}}
				if rng.IntN(2) == 0 {
					spans = append(spans, store.Span{ResourceRef: scopes[room/5], Start: start.Add(10 * time.Minute), End: end})
				}
				n++
				items = append(items, store.ExternalAppointment{Key: store.ExternalID{System: "bench", Value: fmt.Sprint(n)}, Start: start, End: end, Zone: "Europe/Vienna", Local: "2026-01-07T08:00", Spans: spans})
				if len(items) == store.MaxTakeIn {
					flush()
				}
				at += length
			}
		}
	}
	flush()
	b.Logf("%d appointments in %d days", n, horizonDays)
	return y
}

// horizonDays is for how long the diary looks ahead.
const horizonDays = 372

func (y *busyYear) open(b *testing.B) *store.Store {
	b.Helper()
	s, err := store.Open(b.Context(), store.Config{Database: y.database, Keys: storetest.TestKeys(b), Clock: y.now, NoSync: true})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = s.Close() })
	return s
}

func (y *busyYear) diary(b *testing.B, s *store.Store) *scheduler.Diary {
	b.Helper()
	d, err := scheduler.NewDiary(scheduler.DiaryConfig{Store: s, Caller: callerOf, PageKey: []byte(strings.Repeat("k", 32)), Now: y.now})
	if err != nil {
		b.Fatal(err)
	}
	return d
}

func (y *busyYear) find(b *testing.B, d *scheduler.Diary) *vw.FindOffersResponse {
	got, err := d.FindOffers(b.Context(), y.request)
	if err != nil {
		b.Fatal(err)
	}
	if len(got.GetOffers()) != 10 {
		b.Fatalf("%d offers", len(got.GetOffers()))
	}
	return got
}

// BenchmarkOffers finds the ten best sets of two visits in a busy year: cold,
// when nothing is in memory and setup and day masks come from the database;
// warm, when the masks are in memory and their version is checked; and after a
// booking on another replica, which is read before the answer. All of it is
// what the handler does: the plan and the patient's own appointments are read
// in each.
func BenchmarkOffers(b *testing.B) {
	for _, on := range []struct {
		name     string
		postgres bool
	}{{"sqlite", false}, {"postgres", true}} {
		y := newBusyYear(b, on.postgres)
		b.Run(on.name+"/cold", func(b *testing.B) {
			for b.Loop() {
				y.find(b, y.diary(b, y.store))
			}
		})
		warm := y.diary(b, y.store)
		y.find(b, warm)
		b.Run(on.name+"/warm", func(b *testing.B) {
			for b.Loop() {
				y.find(b, warm)
			}
		})
		other := y.open(b)
		elsewhere := y.diary(b, other)
		b.Run(on.name+"/after-a-booking-elsewhere", func(b *testing.B) {
			version := y.find(b, warm).GetDiaryVersion()
			for b.Loop() {
				b.StopTimer()
				y.bookAndGiveUp(b, elsewhere)
				b.StartTimer()
				got := y.find(b, warm)
				if got.GetDiaryVersion() <= version {
					b.Fatal("the booking on the other replica is not seen")
				}
				version = got.GetDiaryVersion()
			}
		})
	}
}

func (y *busyYear) bookAndGiveUp(b *testing.B, d *scheduler.Diary) {
	token := y.find(b, d).GetOffers()[0].GetToken()
	got, err := d.BookOffer(context.WithoutCancel(b.Context()), &vw.BookOfferRequest{Parent: y.request.GetParent(), Patient: y.request.GetPatient(), OfferToken: token})
	if err != nil {
		b.Fatal(err)
	}
	for _, a := range got.GetAppointments() {
		if _, err := d.CancelAppointment(b.Context(), &vw.CancelAppointmentRequest{Name: a.GetName(), Etag: a.GetEtag(), Reason: "patient-asked"}); err != nil {
			b.Fatal(err)
		}
	}
}
