package scheduler_test

import (
	"context"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"buf.build/go/protovalidate"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/genproto/googleapis/type/dayofweek"
	"google.golang.org/genproto/googleapis/type/timeofday"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/pgtest"
	"github.com/visitwright/visitwright/store/storetest"
)

func TestMain(m *testing.M) { os.Exit(pgtest.Run(m)) }

// willow is the practice of these tests.
const willow = "willow-lane"

// replica is one diary service behind gRPC, on a store of its own.
type replica struct {
	store  *store.Store
	diary  *scheduler.Diary
	client vw.DiaryServiceClient
	stop   chan struct{}
}

// house is a practice with rooms, people and a patient.
type house struct {
	testing.TB
	*replica
	clock                 *storetest.Clock
	zone                  *civil.Zone
	room, room2           string // resource names
	nurse, scope          string
	anna, ben             string // clinicians
	patient, patient2     string
	database              string
	patientID, patientID2 string
}

type options struct {
	zone     string
	postgres bool
	now      time.Time
}

// aWednesday is when these tests begin: 7 January 2026, 08:00 UTC.
var aWednesday = time.Date(2026, 1, 7, 8, 0, 0, 0, time.UTC)

func newHouse(t testing.TB, o options) *house {
	t.Helper()
	if o.zone == "" {
		o.zone = "Europe/Vienna"
	}
	if o.now.IsZero() {
		o.now = aWednesday
	}
	h := &house{TB: t, clock: storetest.NewClock()}
	h.clock.Advance(o.now.Sub(storetest.Start))
	h.database = filepath.Join(t.TempDir(), "diary.db")
	if o.postgres {
		h.database, _ = pgtest.New(t, migrate)
	}
	h.replica = h.start()
	_, err := h.store.CreatePractice(t.Context(), store.NewPractice{ID: willow, Name: "Willow Lane", Zone: o.zone,
		Tokens: []store.Token{{ID: "first", Role: store.RoleManager, Hash: [32]byte{1}}}})
	h.must(err)
	if h.zone, err = civil.Embedded().Zone(o.zone); err != nil {
		t.Fatal(err)
	}
	h.room = h.resource(&vw.Resource{Kind: vw.Resource_KIND_ROOM, Title: "Room 1", PreparationMinutes: 5, CleanUpMinutes: 10})
	h.room2 = h.resource(&vw.Resource{Kind: vw.Resource_KIND_ROOM, Title: "Room 2", PreparationMinutes: 5, CleanUpMinutes: 10})
	h.nurse = h.resource(&vw.Resource{Kind: vw.Resource_KIND_NURSE, Title: "Nurse 1"})
	h.resource(&vw.Resource{Kind: vw.Resource_KIND_NURSE, Title: "Nurse 2"})
	h.scope = h.resource(&vw.Resource{Kind: vw.Resource_KIND_EQUIPMENT, Title: "Microscope", EquipmentClass: "microscope"})
	h.anna, h.ben = h.clinician("Anna"), h.clinician("Ben")
	h.hours("practices/"+willow, 8, 17, 1, 2, 3, 4, 5)
	h.patientID, h.patientID2 = h.newPatient("P-1"), h.newPatient("P-2")
	h.patient, h.patient2 = "practices/"+willow+"/patients/"+h.patientID, "practices/"+willow+"/patients/"+h.patientID2
	return h
}

func migrate(url string) error {
	k, err := store.ParseKeys([]byte("key 1 " + strings.Repeat("A", 43) + "="))
	if err != nil {
		return err
	}
	s, err := store.Open(context.Background(), store.Config{Database: url, Keys: k})
	if err != nil {
		return err
	}
	return s.Close()
}

// start serves the diary from one more replica on the same database.
func (h *house) start() *replica {
	h.Helper()
	s, err := store.Open(h.Context(), store.Config{Database: h.database, Keys: storetest.TestKeys(h), Clock: h.clock.Now, NoSync: true})
	if err != nil {
		h.Fatal(err)
	}
	r := &replica{store: s, stop: make(chan struct{})}
	r.diary, err = scheduler.NewDiary(scheduler.DiaryConfig{Store: s, Caller: callerOf, PageKey: []byte(strings.Repeat("k", 32)), Now: h.clock.Now,
		Heartbeat: 50 * time.Millisecond, Stopping: r.stop})
	if err != nil {
		h.Fatal(err)
	}
	g := grpc.NewServer(grpc.UnaryInterceptor(unary), grpc.StreamInterceptor(stream), grpc.WaitForHandlers(true))
	r.diary.Register(g)
	pipe := bufconn.Listen(1 << 20)
	done := make(chan error, 1)
	go func() { done <- g.Serve(pipe) }()
	conn, err := grpc.NewClient("passthrough:///diary", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return pipe.DialContext(ctx) }))
	if err != nil {
		h.Fatal(err)
	}
	r.client = vw.NewDiaryServiceClient(conn)
	var once sync.Once
	h.Cleanup(func() {
		once.Do(func() {
			_ = conn.Close()
			g.Stop()
			if err := <-done; err != nil {
				h.Error(err)
			}
			if err := s.Close(); err != nil {
				h.Error(err)
			}
		})
	})
	return r
}

// callerOf reads who calls from what the test wrote into the call.
func callerOf(ctx context.Context) (requests.Caller, bool) {
	md, _ := metadata.FromIncomingContext(ctx)
	role, clinician := store.RoleReception, ""
	if v := md.Get("role"); len(v) > 0 {
		role = store.Role(v[0])
	}
	if v := md.Get("clinician"); len(v) > 0 {
		clinician = v[0]
	}
	method, _ := grpc.Method(ctx)
	return requests.Caller{Call: store.Call{Practice: willow, Actor: "test", Role: role, Method: method}, Clinician: clinician}, true
}

// unary and stream do what the server's chain does to shapes.
func unary(ctx context.Context, r any, _ *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	if err := protovalidate.Validate(r.(proto.Message)); err != nil {
		return nil, fault.FromValidation(err)
	}
	return next(ctx, r)
}

type checked struct{ grpc.ServerStream }

func (c checked) RecvMsg(m any) error {
	if err := c.ServerStream.RecvMsg(m); err != nil {
		return err
	}
	return fault.FromValidation(protovalidate.Validate(m.(proto.Message)))
}

func stream(srv any, s grpc.ServerStream, _ *grpc.StreamServerInfo, next grpc.StreamHandler) error {
	return next(srv, checked{s})
}

func (h *house) must(err error) {
	h.Helper()
	if err != nil {
		h.Fatalf("%v %v", err, status.Convert(err).Details())
	}
}

// as is the context of a caller with a role.
func (h *house) as(role store.Role) context.Context {
	pairs := []string{"role", string(role)}
	if role == store.RoleClinician {
		pairs = append(pairs, "clinician", h.anna[strings.LastIndexByte(h.anna, '/')+1:])
	}
	return metadata.AppendToOutgoingContext(h.Context(), pairs...)
}

func (h *house) call() store.Call {
	return store.Call{Practice: willow, Actor: "test", Role: store.RoleManager, Method: "/test"}
}

func (h *house) resource(r *vw.Resource) string {
	h.Helper()
	got, err := h.client.CreateResource(h.Context(), &vw.CreateResourceRequest{Parent: "practices/" + willow, Resource: r})
	h.must(err)
	return got.GetName()
}

func (h *house) clinician(title string) string {
	h.Helper()
	c, err := h.store.PutClinician(h.Context(), h.call(), store.Clinician{Name: title, Active: true})
	h.must(err)
	return "practices/" + willow + "/clinicians/" + c.ID
}

// hours sets whole hours on some weekdays, 1 Monday to 7 Sunday.
func (h *house) hours(owner string, from, to int32, days ...int) {
	h.Helper()
	was, err := h.client.GetHours(h.Context(), &vw.GetHoursRequest{Owner: owner})
	h.must(err)
	want := &vw.Hours{Owner: owner, Etag: was.GetEtag()}
	for _, d := range days {
		want.Rules = append(want.Rules, &vw.HoursRule{Weekday: dayofweek.DayOfWeek(d), StartTime: &timeofday.TimeOfDay{Hours: from}, EndTime: &timeofday.TimeOfDay{Hours: to}})
	}
	_, err = h.client.SetHours(h.Context(), &vw.SetHoursRequest{Hours: want})
	h.must(err)
}

func (h *house) settings(change func(*vw.DiarySettings)) {
	h.Helper()
	name := "practices/" + willow + "/diarySettings"
	s, err := h.client.GetDiarySettings(h.Context(), &vw.GetDiarySettingsRequest{Name: name})
	h.must(err)
	change(s)
	s.UpdateTime = nil
	_, err = h.client.UpdateDiarySettings(h.Context(), &vw.UpdateDiarySettingsRequest{Settings: s})
	h.must(err)
}

func (h *house) newPatient(reference string) string {
	h.Helper()
	p, err := h.store.CreatePatient(h.Context(), h.call(), store.Patient{Reference: reference})
	h.must(err)
	return p.ID
}

func days(n int) *int { return &n }

// plan makes a case of a patient with a plan of two visits, of 60 and 45
// minutes; the second comes 7 to 28 days after the first, at best 14 (the
// interval of a calcium hydroxide dressing, as a practice might set it).
func (h *house) plan(patientID string, tooth int) string {
	h.Helper()
	c, err := h.store.CreateCase(h.Context(), h.call(), store.Case{PatientID: patientID, Tooth: tooth, Protocol: "primary-treatment"})
	h.must(err)
	// Minutes in the chair: 40, 50 or 60, the middle one twice as likely.
	chair := &vw.Distribution{FirstMinute: 40, Probabilities: make([]float64, 21)}
	chair.Probabilities[0], chair.Probabilities[10], chair.Probabilities[20] = .25, .5, .25
	p := &vw.Plan{Protocol: "primary-treatment", Options: []*vw.TreatmentOption{
		{Id: "two-visits", Feasible: true, Visits: []*vw.PlannedVisit{{Number: 1, AppointmentMinutes: 60, ChairMinutes: chair}, {Number: 2, AppointmentMinutes: 45}}},
		{Id: "one-visit", InfeasibleBecause: "longer than the practice books"}}}
	document, err := proto.Marshal(p)
	h.must(err)
	_, err = h.store.SavePlanRevision(h.Context(), h.call(), store.NewPlanRevision{CaseID: c.ID, Cause: "proposal", Recommended: "two-visits", Document: document,
		Visits: []store.PlannedVisit{{Option: "two-visits", Visit: 1, Minutes: 60},
			{Option: "two-visits", Visit: 2, Minutes: 45, EarliestDays: days(7), TargetDays: days(14), LatestDays: days(28), NeedPermille: 1000}}})
	h.must(err)
	return "practices/" + willow + "/cases/" + c.ID + "/plans/1"
}

func part(plan string, visit int32) []*vw.VisitPart {
	return []*vw.VisitPart{{Plan: plan, Visit: visit}}
}

func both(plan string) []*vw.VisitToPlace {
	return []*vw.VisitToPlace{{Parts: part(plan, 1)}, {Parts: part(plan, 2)}}
}

func (h *house) offers(patient string, visits []*vw.VisitToPlace, w *vw.OfferWishes) *vw.FindOffersResponse {
	h.Helper()
	got, err := h.client.FindOffers(h.Context(), &vw.FindOffersRequest{Parent: "practices/" + willow, Patient: patient, Visits: visits, Wishes: w})
	h.must(err)
	return got
}

func (h *house) bookToken(patient, token string, keep int32) (*vw.Booking, error) {
	return h.client.BookOffer(h.Context(), &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: patient, OfferToken: token, KeepMinutes: keep})
}

// at is a local start "2026-01-14 09:00".
func at(text string) *vw.LocalDateTime {
	l := civil.MustLocalTime(strings.Replace(text, " ", "T", 1))
	year, month, day := l.Date.Parts()
	return &vw.LocalDateTime{Date: &date.Date{Year: int32(year), Month: int32(month), Day: int32(day)},
		Time: &timeofday.TimeOfDay{Hours: int32(l.Time.Minutes() / 60), Minutes: int32(l.Time.Minutes() % 60)}}
}

func day(text string) *date.Date { return at(text + " 00:00").GetDate() }

func said(l *vw.LocalDateTime) string {
	return civil.LocalTime{Date: civilDate(l.GetDate()), Time: civil.TimeOfDay(l.GetTime().GetHours()*60 + l.GetTime().GetMinutes())}.String()
}

func civilDate(d *date.Date) civil.Date {
	out, err := civil.NewDate(int(d.GetYear()), time.Month(d.GetMonth()), int(d.GetDay()))
	if err != nil {
		panic(err)
	}
	return out
}

// byHand books one place for a visit without a plan.
func (h *house) byHand(ctx context.Context, patient, start string, minutes int32) (*vw.Booking, error) {
	return h.client.BookOffer(ctx, &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: patient, Places: []*vw.PlaceToBook{
		{Unplanned: &vw.UnplannedVisit{Protocol: "consultation", Minutes: minutes}, Place: &vw.Place{Start: at(start), Minutes: minutes}}}})
}

// reason is the reason of an error, "" for none.
func reason(err error) string {
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			return info.GetReason()
		}
	}
	if err != nil && status.Code(err) != codes.OK {
		return status.Code(err).String() + ": " + err.Error()
	}
	return ""
}

func (h *house) want(err error, code codes.Code, want string) {
	h.Helper()
	if status.Code(err) != code || reason(err) != want {
		h.Errorf("got %v %s, want %v %s: %v", status.Code(err), reason(err), code, want, err)
	}
}
