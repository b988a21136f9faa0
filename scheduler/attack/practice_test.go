package attack_test

import (
	"context"
	"database/sql"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/visitwright/visitwright/store"
)

// arena is a practice whose diary is nearly full: four rooms, three clinicians,
// three nurses and one microscope, open from 08:00 to 18:00 on so many days.
type arena struct {
	database   string
	first      time.Time // 00:00 UTC of the first day
	days       int
	clinicians []string // resource names
	rooms      []string
	nurses     []string
	microscope string
	patients   []string
	filled     []op // what was booked beforehand
}

const (
	openFrom = 8 * 12 // cells of five minutes
	openTo   = 18 * 12
	fullness = 0.65 // of the clinicians' time, booked beforehand
)

func call() store.Call {
	return store.Call{Practice: practice, Actor: "setup", Role: store.RoleManager, Method: "/setup"}
}

func newArena(t testing.TB, s *store.Store, database string, days int) *arena {
	t.Helper()
	ctx := t.Context()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	_, err := s.CreatePractice(ctx, store.NewPractice{ID: practice, Name: "Willow Lane", Zone: "UTC", Settings: []byte(`{"diary":{"access_equipment_class":"microscope","nurse_throughout":true}}`),
		Tokens: []store.Token{{ID: "first", Role: store.RoleManager, Hash: [32]byte{1}}}})
	must(err)
	a := &arena{database: database, days: days, first: now().UTC().Truncate(24*time.Hour).AddDate(0, 0, 2)}
	put := func(kind store.ResourceKind, title, class string) string {
		r, err := s.PutResource(ctx, call(), store.Resource{ResourceRef: store.ResourceRef{Kind: kind}, Name: title, Class: class, Active: true})
		must(err)
		return "practices/" + practice + "/resources/" + r.ID
	}
	for i := range 4 {
		a.rooms = append(a.rooms, put(store.KindRoom, fmt.Sprint("Room ", i+1), ""))
	}
	for i := range 3 {
		a.nurses = append(a.nurses, put(store.KindNurse, fmt.Sprint("Nurse ", i+1), ""))
		c, err := s.PutClinician(ctx, call(), store.Clinician{Name: fmt.Sprint("Clinician ", i+1), Active: true})
		must(err)
		a.clinicians = append(a.clinicians, "practices/"+practice+"/clinicians/"+c.ID)
	}
	a.microscope = put(store.KindEquipment, "Microscope", "microscope")
	var rules []store.HoursRule
	for day := 1; day <= 7; day++ {
		rules = append(rules, store.HoursRule{Weekday: day, StartMinute: openFrom * 5, EndMinute: openTo * 5, EveryWeeks: 1})
	}
	_, err = s.PutHours(ctx, call(), store.Hours{Rules: rules})
	must(err)
	for i := range 60 {
		p, err := s.CreatePatient(ctx, call(), store.Patient{Reference: fmt.Sprint("P-", i)})
		must(err)
		a.patients = append(a.patients, "practices/"+practice+"/patients/"+p.ID)
	}
	a.fill(ctx, t, s)
	return a
}

// fill books until the clinicians' time is nearly full.
func (a *arena) fill(ctx context.Context, t testing.TB, s *store.Store) {
	t.Helper()
	rng := rand.New(rand.NewPCG(3, 4))
	for day := range a.days {
		busy := 0
		for tries := 0; tries < 400 && float64(busy) < fullness*float64((openTo-openFrom)*len(a.clinicians)); tries++ {
			o := a.draw(rng)
			o.day = day
			// The microscope alone would leave most of the day free: what is there
			// beforehand does without.
			spans := o.spans(a)[:3]
			b, err := s.BookOffer(ctx, call(), store.NewBooking{PatientID: id(a.patients[o.patient]), Visits: []store.NewVisit{{Place: store.Place{
				Start: a.at(o.day, o.from), End: a.at(o.day, o.to), Zone: "UTC", Local: a.at(o.day, o.from).Format("2006-01-02T15:04"), Spans: spans}}}})
			if err != nil {
				continue
			}
			o.booking, o.noScope = b.ID, true
			a.filled = append(a.filled, o)
			busy += o.to - o.from
		}
	}
}

func (a *arena) at(day, cell int) time.Time {
	return a.first.AddDate(0, 0, day).Add(time.Duration(cell) * 5 * time.Minute)
}

func id(name string) string {
	for i := len(name) - 1; ; i-- {
		if name[i] == '/' {
			return name[i+1:]
		}
	}
}

// draw is a place at random: half an hour, three quarters or an hour.
func (a *arena) draw(rng *rand.Rand) op {
	length := []int{6, 9, 12}[rng.IntN(3)]
	from := openFrom + rng.IntN(openTo-openFrom-length+1)
	return op{day: rng.IntN(a.days), from: from, to: from + length, clinician: rng.IntN(len(a.clinicians)), room: rng.IntN(len(a.rooms)),
		nurse: rng.IntN(len(a.nurses)), patient: rng.IntN(len(a.patients))}
}

// accessFrom is from which cell of a visit the microscope is held: the practice
// starts with ten minutes (scheduler/data/figures.json).
const accessFrom = 2

func (o op) spans(a *arena) []store.Span {
	span := func(kind store.ResourceKind, name string, from int) store.Span {
		return store.Span{ResourceRef: store.ResourceRef{Kind: kind, ID: id(name)}, Start: a.at(o.day, from), End: a.at(o.day, o.to)}
	}
	return []store.Span{span(store.KindRoom, a.rooms[o.room], o.from), span(store.KindClinician, a.clinicians[o.clinician], o.from),
		span(store.KindNurse, a.nurses[o.nurse], o.from), span(store.KindEquipment, a.microscope, o.from+accessFrom)}
}

// overlapping counts pairs of our own live spans that share a resource at one
// time. It asks the table, past everything that the program does.
const overlapping = `SELECT count(*) FROM spans a JOIN spans b
	ON a.practice_id = b.practice_id AND a.resource = b.resource AND a.start_us < b.end_us AND b.start_us < a.end_us
	AND (a.appointment_id < b.appointment_id OR (a.appointment_id = b.appointment_id AND a.start_us < b.start_us))
	WHERE a.hold = 2 AND b.hold = 2`

func overlaps(t testing.TB, db *sql.DB) (n int) {
	t.Helper()
	if err := db.QueryRow(overlapping).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

// states reads the state of every booking of ours.
func states(t testing.TB, db *sql.DB) map[string]string {
	t.Helper()
	rows, err := db.Query("SELECT booking, state FROM appointments")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = rows.Close() }()
	out := map[string]string{}
	for rows.Next() {
		var booking, state string
		if err := rows.Scan(&booking, &state); err != nil {
			t.Fatal(err)
		}
		out[booking] = state
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return out
}
