package desk

import (
	"cmp"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/genproto/googleapis/type/dayofweek"
	"google.golang.org/genproto/googleapis/type/timeofday"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var hoursRoutes = []route{
	{"GET /practice/hours", everybody, (*ask).hoursPage},
	{"GET /practice/hours/edit", managers, (*ask).hoursForm},
	{"POST /practice/hours/edit", managers, (*ask).keepHours},
	{"GET /practice/closures", everybody, (*ask).closuresPage},
	{"POST /practice/closures", []vw.Role{vw.Role_ROLE_MANAGER, vw.Role_ROLE_RECEPTION}, (*ask).makeClosure},
	{"POST /practice/closures/{absence}/end", []vw.Role{vw.Role_ROLE_MANAGER, vw.Role_ROLE_RECEPTION}, (*ask).endClosure},
}

// weekNames are the days of a week, by the names that code gives them, in the
// practice's order.
func (w *words) weekNames() []string {
	var out []string
	for _, d := range w.Week() {
		out = append(out, d.String())
	}
	return out
}

// owner is one whose hours are kept.
type owner struct {
	// Key is practice, clinicians/{id} or resources/{id}.
	Key, Name, Title string
	Hours            *vw.Hours
	Days             []dayHours
}

type dayHours struct{ Day, Text string }

// owners are the practice and everybody in it.
func (q *ask) owners() ([]owner, error) {
	out := []owner{{Key: "practice", Name: q.practice, Title: q.t("practice.whole")}}
	people, err := q.clinicians()
	if err != nil {
		return nil, err
	}
	for _, c := range people {
		if c.GetActive() {
			out = append(out, owner{Key: "clinicians/" + lastPart(c.GetName()), Name: c.GetName(), Title: c.GetTitle()})
		}
	}
	all, err := q.resources()
	for _, r := range all {
		if r.GetActive() {
			out = append(out, owner{Key: "resources/" + lastPart(r.GetName()), Name: r.GetName(), Title: r.GetTitle()})
		}
	}
	return out, err
}

type hoursPage struct {
	Owners []owner
	Done   string
	Broken []*vw.Appointment
}

func (q *ask) hoursPage() (*page, error) {
	p := &hoursPage{Done: q.done("practice")}
	all, err := q.owners()
	if err != nil {
		return nil, err
	}
	hours, err := q.allHours()
	if err != nil {
		return nil, err
	}
	for i := range all {
		all[i].Hours = cmp.Or(hours[all[i].Name], &vw.Hours{})
		for _, day := range q.words.weekNames() {
			all[i].Days = append(all[i].Days, dayHours{q.t("words.long-" + day), hoursText(all[i].Hours, day)})
		}
	}
	p.Owners = all
	return &page{name: "practice-hours", title: q.t("practice.hours"), section: "practice", data: p}, nil
}

// hoursText writes the spans of a day as the form reads them.
func hoursText(h *vw.Hours, day string) string {
	var spans []string
	for _, r := range h.GetRules() {
		if !strings.EqualFold(r.GetWeekday().String(), day) {
			continue
		}
		text := fmt.Sprintf("%02d:%02d-%02d:%02d", r.GetStartTime().GetHours(), r.GetStartTime().GetMinutes(), r.GetEndTime().GetHours(), r.GetEndTime().GetMinutes())
		if r.GetEveryWeeks() > 1 {
			text += fmt.Sprintf("/%d+%d", r.GetEveryWeeks(), r.GetInWeek())
		}
		spans = append(spans, text)
	}
	slices.Sort(spans)
	return strings.Join(spans, ", ")
}

type hoursForm struct {
	Form  *form
	Owner owner
	Days  []weekdayField
	// Bounded says that some spans hold for a time only; the form would lose it.
	Bounded bool
	Broken  []*vw.Appointment
	Preview bool
}

type weekdayField struct{ Field, Label string }

func (q *ask) hoursOf(f *form) (*hoursForm, error) {
	all, err := q.owners()
	if err != nil {
		return nil, err
	}
	at := slices.IndexFunc(all, func(o owner) bool { return o.Key == q.form.Get("owner") })
	if at < 0 {
		return nil, errNoPage
	}
	p := &hoursForm{Form: f, Owner: all[at]}
	for _, day := range q.words.weekNames() {
		p.Days = append(p.Days, weekdayField{strings.ToLower(day[:3]), q.t("words.long-" + day)})
	}
	p.Owner.Hours, err = q.diary().GetHours(q, &vw.GetHoursRequest{Owner: p.Owner.Name})
	for _, r := range p.Owner.Hours.GetRules() {
		p.Bounded = p.Bounded || r.GetFirstDate() != nil || r.GetLastDate() != nil
	}
	return p, err
}

func (q *ask) hoursForm() (*page, error) {
	p, err := q.hoursOf(newForm(nil))
	if err != nil {
		return nil, err
	}
	p.Form.values = q.hoursValues(p)
	p.Form.Set("owner", p.Owner.Key)
	return &page{name: "practice-hours-edit", title: q.t("practice.hours-of", p.Owner.Title), section: "practice", data: p}, nil
}

// hoursValues are the fields of the form as the hours are kept.
func (q *ask) hoursValues(p *hoursForm) url.Values {
	v := url.Values{"etag": {p.Owner.Hours.GetEtag()}}
	for i, day := range q.words.weekNames() {
		v.Set(p.Days[i].Field, hoursText(p.Owner.Hours, day))
	}
	return v
}

func (q *ask) keepHours() (*page, error) {
	f := q.typed()
	p, err := q.hoursOf(f)
	if err != nil {
		return nil, err
	}
	hours := &vw.Hours{Owner: p.Owner.Name, Etag: f.Get("etag")}
	for i, day := range q.words.weekNames() {
		rules, err := readHours(f.Get(p.Days[i].Field), dayofweek.DayOfWeek(dayofweek.DayOfWeek_value[strings.ToUpper(day)]))
		if err != nil {
			f.wrong(p.Days[i].Field, q.t("practice.hours-wrong"))
		}
		hours.Rules = append(hours.Rules, rules...)
	}
	p.Preview = f.On("preview")
	status := http.StatusUnprocessableEntity
	if f.ok() {
		reply, err := q.diary().SetHours(q, &vw.SetHoursRequest{Hours: hours, RequestId: f.RequestID, ValidateOnly: p.Preview})
		switch {
		case err == nil && !p.Preview && len(reply.GetBrokenAppointments()) == 0:
			return goTo("/practice/hours?done=kept"), nil
		case err == nil:
			p.Broken, status = reply.GetBrokenAppointments(), http.StatusOK
			if !p.Preview {
				f.Set("etag", reply.GetHours().GetEtag())
			}
		case conflict(err):
			f.meanwhile(q, q.hoursValues(p))
		case !f.refused(err, nil):
			return nil, err
		}
	}
	return &page{name: "practice-hours-edit", title: q.t("practice.hours-of", p.Owner.Title), section: "practice", data: p, status: status}, nil
}

var errHours = errors.New("hours that cannot be read")

// readHours reads "08:00-12:00, 13:00-17:00/2+1".
func readHours(text string, day dayofweek.DayOfWeek) ([]*vw.HoursRule, error) {
	var out []*vw.HoursRule
	for span := range strings.SplitSeq(text, ",") {
		if span = strings.TrimSpace(span); span == "" {
			continue
		}
		r := &vw.HoursRule{Weekday: day}
		hours, cycle, alternating := strings.Cut(span, "/")
		if alternating {
			every, in, found := strings.Cut(cycle, "+")
			n, err := strconv.ParseInt(strings.TrimSpace(every), 10, 8)
			k, err2 := strconv.ParseInt(strings.TrimSpace(in), 10, 8)
			if !found || err != nil || err2 != nil || n < 1 || n > 8 || k < 0 || k >= n {
				return nil, errHours
			}
			r.EveryWeeks, r.InWeek = int32(n), int32(k)
		}
		from, to, found := strings.Cut(hours, "-")
		if !found {
			return nil, errHours
		}
		var err error
		if r.StartTime, err = readTimeOfDay(from); err != nil {
			return nil, err
		}
		if r.EndTime, err = readTimeOfDay(to); err != nil {
			return nil, err
		}
		out = append(out, r)
	}
	return out, nil
}

// readTimeOfDay reads "08:00"; "24:00" is the end of the day.
func readTimeOfDay(text string) (*timeofday.TimeOfDay, error) {
	text = strings.TrimSpace(text)
	if text == "24:00" {
		return &timeofday.TimeOfDay{Hours: 24}, nil
	}
	if t := readClock(text); t != nil {
		return t, nil
	}
	return nil, errHours
}

type closuresPage struct {
	Form     *form
	Absences []*vw.Absence
	Titles   map[string]string
	Kinds    entries
	Choices  []option
	Owners   []option
	Holidays []*vw.Holiday
	Broken   []*vw.Appointment
	Done     string
}

// closuresAhead is how many days of absences and holidays are shown.
const closuresAhead = 365

func (q *ask) closures(f *form) (*closuresPage, error) {
	p := &closuresPage{Form: f, Titles: map[string]string{}, Done: q.done("practice")}
	all, err := q.owners()
	if err != nil {
		return nil, err
	}
	for _, o := range all {
		p.Titles[o.Name] = o.Title
		p.Owners = append(p.Owners, option{Value: o.Key, Text: o.Title})
	}
	named, err := q.catalogues("absence-kinds")
	if err != nil {
		return nil, err
	}
	p.Kinds = named["absence-kinds"]
	p.Choices = p.Kinds.options("")
	list, err := q.diary().ListAbsences(q, &vw.ListAbsencesRequest{Parent: q.practice, PageSize: 500, Days: q.around(7, closuresAhead)})
	if err != nil {
		return nil, err
	}
	p.Absences = list.GetAbsences()
	today := q.words.Today()
	last := q.words.addDays(today, closuresAhead)
	for year := today.GetYear(); year <= last.GetYear(); year++ {
		holidays, err := q.diary().ListHolidays(q, &vw.ListHolidaysRequest{Parent: q.practice, Year: year, PageSize: 100})
		if err != nil {
			return nil, err
		}
		for _, h := range holidays.GetHolidays() {
			if day := q.words.ISODate(h.GetDate()); day >= q.words.ISODate(today) && day <= q.words.ISODate(last) {
				p.Holidays = append(p.Holidays, h)
			}
		}
	}
	return p, nil
}

func (q *ask) closuresPage() (*page, error) {
	f := newForm(nil)
	p, err := q.closures(f)
	if err != nil {
		return nil, err
	}
	return &page{name: "practice-closures", title: q.t("practice.closures"), section: "practice", data: p}, nil
}

func (q *ask) makeClosure() (*page, error) {
	f := q.typed()
	p, err := q.closures(f)
	if err != nil {
		return nil, err
	}
	whose := q.practice
	if key := f.chosen(q, "owner", p.Owners); key != "practice" && key != "" {
		whose = q.practice + "/" + key
	}
	a := &vw.Absence{Owner: whose, Kind: f.chosen(q, "kind", p.Choices), FirstDate: f.day(q, "first"), LastDate: f.day(q, "last"), Note: f.Get("note")}
	if f.Get("first") == "" {
		f.wrong("first", q.t("form.date-wrong"))
	}
	if a.GetLastDate() == nil {
		a.LastDate = a.GetFirstDate()
	}
	for field, to := range map[string]**timeofday.TimeOfDay{"from": &a.StartTime, "until": &a.EndTime} {
		if f.Get(field) == "" {
			continue
		}
		if *to, err = readTimeOfDay(f.Get(field)); err != nil {
			f.wrong(field, q.t("practice.clock-wrong"))
		}
	}
	status := http.StatusUnprocessableEntity
	if f.ok() {
		reply, err := q.diary().CreateAbsence(q, &vw.CreateAbsenceRequest{Parent: q.practice, Absence: a, RequestId: f.RequestID, ValidateOnly: f.On("preview")})
		switch {
		case err == nil && !f.On("preview") && len(reply.GetBrokenAppointments()) == 0:
			return goTo("/practice/closures?done=kept"), nil
		case err == nil:
			p.Broken, status = reply.GetBrokenAppointments(), http.StatusOK
			if !f.On("preview") {
				fresh, err := q.closures(newForm(nil))
				if err != nil {
					return nil, err
				}
				fresh.Broken, fresh.Done = p.Broken, q.t("practice.done-kept")
				p = fresh
			} else if len(p.Broken) == 0 {
				p.Done = q.t("practice.breaks-nothing")
			}
		case !f.refused(err, map[string]string{"absence.first_date": "first", "absence.last_date": "last", "absence.start_time": "from", "absence.end_time": "until", "absence.kind": "kind", "absence.note": "note", "absence.owner": "owner"}):
			return nil, err
		}
	}
	return &page{name: "practice-closures", title: q.t("practice.closures"), section: "practice", data: p, status: status}, nil
}

func (q *ask) endClosure() (*page, error) {
	f := q.typed()
	_, err := q.diary().DeleteAbsence(q, &vw.DeleteAbsenceRequest{Name: q.name("absences", q.path("absence")), Etag: f.Get("etag"), RequestId: f.RequestID})
	if err != nil {
		return nil, err
	}
	return goTo("/practice/closures?done=ended"), nil
}
