package desk

import (
	"net/http"
	"strconv"
	"strings"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var shortNoticeRoutes = []route{
	{"GET /short-notice", careTeam, (*ask).shortNoticePage},
	{"GET /short-notice/new", careTeam, (*ask).shortNoticeNew},
	{"POST /short-notice/new", careTeam, (*ask).shortNoticeAdd},
	{"POST /short-notice/{entry}/remove", careTeam, (*ask).shortNoticeRemove},
	{"POST /short-notice/{entry}/take", careTeam, (*ask).shortNoticeTake},
}

// shortNoticePage is who would take a freed place.
type shortNoticePage struct {
	oneEach
	Form    *form
	Waiting []*waitingView
}

type waitingView struct {
	ID, Who, Phone, Teeth, Case, What, Since, Wishes, Notice string
	// Instead is the appointment that would be given up.
	Instead, InsteadID string
}

func (q *ask) shortNoticePage() (*page, error) { return q.shortNoticeShow(newForm(nil)) }

func (q *ask) shortNoticeShow(f *form) (*page, error) {
	list, err := q.diary().ListShortNoticeEntries(q, &vw.ListShortNoticeEntriesRequest{Parent: q.practice, PageSize: mostInList})
	if err != nil {
		return nil, err
	}
	h, err := q.house()
	if err != nil {
		return nil, err
	}
	var names []string
	for _, e := range list.GetEntries() {
		names = append(names, e.GetPatient(), caseOfPart(e.GetParts()[0]))
	}
	who, err := q.whoIs(nil, names...)
	if err != nil {
		return nil, err
	}
	p := &shortNoticePage{Form: f}
	for _, e := range list.GetEntries() {
		w := &waitingView{ID: lastPart(e.GetName()), Who: who.Patient(e.GetPatient()), Phone: who.Phone(e.GetPatient()), Since: q.words.Date(q.words.DayOf(e.GetCreateTime())),
			What: q.t("visit.number", e.GetParts()[0].GetVisit()), Wishes: q.wishWords(h, e.GetWishes()), Notice: q.words.TimeLeft(int(e.GetNoticeMinutes()))}
		c := caseOfPart(e.GetParts()[0])
		w.Case, w.Teeth = lastPart(c), q.words.Tooth(who.cases[c].GetTooth())
		if name := e.GetInsteadOf(); name != "" {
			a, err := q.diary().GetAppointment(q, &vw.GetAppointmentRequest{Name: name})
			if err != nil && !notThere(err) {
				return nil, err
			}
			if err == nil && ahead(a) {
				w.Instead, w.InsteadID = q.words.Local(a.GetPlace().GetStart()), lastPart(name)
			}
		}
		p.Waiting = append(p.Waiting, w)
	}
	out := &page{name: "short-notice", title: q.t("short.title"), section: "day", data: p}
	if !f.ok() {
		out.status = http.StatusUnprocessableEntity
	}
	return out, nil
}

// caseOfPart is the case of a visit's plan.
func caseOfPart(p *vw.VisitPart) string {
	name, _, _ := strings.Cut(p.GetPlan(), "/plans/")
	return name
}

// wishWords says what suits somebody, in a line.
func (q *ask) wishWords(h *house, w *vw.OfferWishes) string {
	var parts []string
	for _, o := range q.weekdayOptions() {
		for _, d := range w.GetWeekdays() {
			if strconv.Itoa(int(d)) == o.Value {
				parts = append(parts, o.Text)
			}
		}
	}
	for _, s := range w.GetTimes() {
		parts = append(parts, q.t("visit.span", clockAt(int(s.GetFromMinute())), clockAt(int(s.GetToMinute()))))
	}
	for _, c := range w.GetClinicians() {
		parts = append(parts, h.Title(c))
	}
	if w.GetUrgent() {
		parts = append(parts, q.t("short.urgent"))
	}
	if len(parts) == 0 {
		return q.t("short.any")
	}
	return strings.Join(parts, ", ")
}

// shortNoticeForm puts a patient on the list.
type shortNoticeForm struct {
	*bookSubject
	Who    string
	Tooth  string
	Form   *form
	Which  []option
	Give   []option
	Days   []option
	Parts  []option
	People []option
	None   bool // nothing of a plan that could be waited for
}

func (q *ask) shortNoticeNew() (*page, error) { return q.shortNoticeFormShow(newForm(q.form)) }

func (q *ask) shortNoticeFormShow(f *form) (*page, error) {
	q.http.SetPathValue("case", f.Get("case"))
	s, err := q.bookSubject()
	if err != nil {
		return nil, err
	}
	h, err := q.house()
	if err != nil {
		return nil, err
	}
	p := &shortNoticeForm{bookSubject: s, Who: patientWords(s.Patient), Tooth: q.words.Tooth(s.Case.GetTooth()), Form: f, Days: q.weekdayOptions(), Parts: q.partOptions(),
		People: h.clinicianOptions(q.t("booking.anybody")), Give: []option{{"", q.t("short.give-none"), ""}}}
	for _, v := range s.Visits {
		if v.Appointment == nil || ahead(v.Appointment) {
			p.Which = append(p.Which, option{Value: strconv.Itoa(int(v.GetNumber())), Text: q.t("booking.visit-of", v.GetNumber(), q.words.Min(v.GetAppointmentMinutes())), Hint: v.GetAim()})
		}
		if v.Appointment != nil && ahead(v.Appointment) {
			p.Give = append(p.Give, option{Value: lastPart(v.Appointment.GetName()), Text: q.t("short.give", v.GetNumber(), q.words.Local(v.Appointment.GetPlace().GetStart()))})
		}
	}
	p.None = len(p.Which) == 0
	if f.Get("visit") == "" && !p.None {
		f.Set("visit", p.Which[0].Value)
	}
	if f.Get("notice") == "" {
		f.Set("notice", "2")
	}
	out := &page{name: "short-notice-new", title: q.t("short.new", p.Who), section: "day", data: p}
	if !f.ok() {
		out.status = http.StatusUnprocessableEntity
	}
	return out, nil
}

func (q *ask) shortNoticeAdd() (*page, error) {
	f := q.typed()
	q.http.SetPathValue("case", f.Get("case"))
	s, err := q.bookSubject()
	if err != nil {
		return nil, err
	}
	e := &vw.ShortNoticeEntry{Patient: s.Patient.GetName(), Wishes: q.wishes(f)}
	e.Wishes.OtherDays = false
	n, err := strconv.Atoi(f.Get("visit"))
	if v := s.visit(int32(min(max(n, 0), 99))); err == nil && v != nil {
		e.Parts = []*vw.VisitPart{v.Part}
	} else {
		f.wrong("visit", q.t("booking.visit-wrong"))
	}
	hours, err := strconv.Atoi(f.Get("notice"))
	if err != nil || hours < 0 || hours > 336 {
		f.wrong("notice", q.t("short.notice-wrong"))
	}
	e.NoticeMinutes = int32(min(max(hours, 0), 336) * 60)
	if id := f.Get("instead"); id != "" {
		e.InsteadOf = q.name("appointments", id)
	}
	if f.ok() {
		_, err := q.diary().CreateShortNoticeEntry(q, &vw.CreateShortNoticeEntryRequest{Parent: q.practice, Entry: e, RequestId: f.RequestID})
		if err == nil {
			return goTo("/short-notice"), nil
		}
		if !f.refused(err, map[string]string{"entry.parts": "visit", "entry.instead_of": "instead", "entry.notice_minutes": "notice", "entry.wishes.clinicians": "clinician", "wishes": "part"}) {
			return nil, err
		}
	}
	return q.shortNoticeFormShow(f)
}

func (q *ask) shortNoticeRemove() (*page, error) {
	f := q.typed()
	_, err := q.diary().DeleteShortNoticeEntry(q, &vw.DeleteShortNoticeEntryRequest{Name: q.name("shortNoticeEntries", q.path("entry")), RequestId: f.RequestID})
	if err == nil || notThere(err) { // somebody was quicker: it is off the list
		return goTo("/short-notice"), nil
	}
	if !f.refused(err, nil) {
		return nil, err
	}
	return q.shortNoticeShow(f)
}

// matchView is somebody of the list whom a freed place suits.
type matchView struct {
	EntryID, Who, Phone, Teeth string
	Place                      *placeView
	Reasons                    []string
	Sealed                     string
	RequestID                  string
	Gives                      bool
}

// matches are those of the short-notice list whom a freed place suits.
func (q *ask) matches(h *house, freed *vw.Place) ([]*matchView, error) {
	got, err := q.diary().MatchShortNotice(q, &vw.MatchShortNoticeRequest{Parent: q.practice, Place: freed})
	if err != nil {
		if canMend(refusal(err)) {
			return nil, nil // a place that cannot be booked any more suits nobody
		}
		return nil, err
	}
	var names []string
	for _, m := range got.GetMatches() {
		names = append(names, m.GetEntry().GetPatient(), caseOfPart(m.GetEntry().GetParts()[0]))
	}
	who, err := q.whoIs(nil, names...)
	if err != nil {
		return nil, err
	}
	var out []*matchView
	for _, m := range got.GetMatches() {
		e := m.GetEntry()
		out = append(out, &matchView{EntryID: lastPart(e.GetName()), Who: who.Patient(e.GetPatient()), Phone: who.Phone(e.GetPatient()), Teeth: q.words.Tooth(who.cases[caseOfPart(e.GetParts()[0])].GetTooth()),
			Place: q.placeView(h, m.GetPlace()), Reasons: m.GetReasons(), Sealed: sealed(&vw.PlaceToBook{Parts: m.GetPlace().GetParts(), Place: m.GetPlace().GetPlace()}),
			RequestID: newRequestID(), Gives: e.GetInsteadOf() != ""})
	}
	return out, nil
}

// shortNoticeTake books a freed place for somebody of the list: the new place
// first, then what they give up for it, then off the list.
func (q *ask) shortNoticeTake() (*page, error) {
	f := q.typed()
	list, err := q.diary().ListShortNoticeEntries(q, &vw.ListShortNoticeEntriesRequest{Parent: q.practice, PageSize: mostInList})
	if err != nil {
		return nil, err
	}
	var e *vw.ShortNoticeEntry
	for _, other := range list.GetEntries() {
		if lastPart(other.GetName()) == q.path("entry") {
			e = other
		}
	}
	place := &vw.PlaceToBook{}
	if err := opened(f.Get("place"), place); err != nil {
		return nil, errBadForm
	}
	if e == nil {
		f.Problem = q.t("short.off-already")
		return q.shortNoticeShow(f)
	}
	place.Parts, place.Override, place.Unplanned = e.GetParts(), nil, nil
	booking, err := q.diary().BookOffer(q, &vw.BookOfferRequest{Parent: q.practice, Patient: e.GetPatient(), Places: []*vw.PlaceToBook{place}, RequestId: f.RequestID})
	if err != nil {
		if taken(err) {
			f.Problem = q.t("booking.place-taken")
		} else if !f.refused(err, nil) {
			return nil, err
		}
		return q.shortNoticeShow(f)
	}
	if err := q.giveUp(e); err != nil {
		return nil, err
	}
	return goTo("/bookings/" + lastPart(booking.GetName())), nil
}

func (q *ask) giveUp(e *vw.ShortNoticeEntry) error {
	if name := e.GetInsteadOf(); name != "" {
		a, err := q.diary().GetAppointment(q, &vw.GetAppointmentRequest{Name: name})
		if err != nil {
			return err
		}
		if ahead(a) {
			if _, err := q.diary().CancelAppointment(q, &vw.CancelAppointmentRequest{Name: name, Etag: a.GetEtag(), Reason: "patient-asked"}); err != nil {
				return err
			}
		}
	}
	_, err := q.diary().DeleteShortNoticeEntry(q, &vw.DeleteShortNoticeEntryRequest{Name: e.GetName()})
	return err
}
