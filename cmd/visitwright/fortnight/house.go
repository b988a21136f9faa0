package fortnight

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/type/dayofweek"
	"google.golang.org/genproto/googleapis/type/timeofday"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil/holidays"
	"github.com/visitwright/visitwright/testdata/demo"
)

// house is the practice as testdata/demo/practice.json has it.
type house struct {
	Title      string          `json:"title"`
	Settings   json.RawMessage `json:"settings"`
	Diary      json.RawMessage `json:"diary"`
	Reserves   []reserve       `json:"reserves"`
	Clinicians []clinician     `json:"clinicians"`
	Rooms      []string        `json:"rooms"`
	Nurses     []string        `json:"nurses"`
	Equipment  []equipment     `json:"equipment"`
	Hours      []string        `json:"hours"`
	Absences   []absence       `json:"absences"`
	People     []Person        `json:"people"`
	Messages   messages        `json:"messages"`
}

type reserve struct{ Days, Span, Release, Who string }

type clinician struct {
	ID        string   `json:"id"`
	Title     string   `json:"title"`
	Hours     []string `json:"hours"`
	Protocols []string `json:"protocols"`
	// ConsiderReferral shows this clinician when to consider a referral.
	ConsiderReferral bool `json:"considerReferral"`
}

// messages are switched on at a moment of the story.
type messages struct {
	At        string `json:"at"`
	Days      int32  `json:"days"` // before an appointment
	Time      string `json:"time"`
	Telephone string `json:"telephone"`
}

type equipment struct{ Title, Class string }

type absence struct{ Who, Kind, From, To, Note string }

// Person is somebody who works in the demo practice.
type Person struct {
	Name   string `json:"name"`
	SignIn string `json:"signIn"`
	Role   string `json:"role"`
	// Clinician is the id of the clinician's record in practice.json.
	Clinician string `json:"clinician"`
}

func readHouse() (*house, error) {
	out := &house{}
	return out, json.Unmarshal(demo.House, out)
}

// furnish gives the practice its settings, people, rooms and hours.
func (p *player) furnish(h *house) error {
	if err := p.settings(h); err != nil {
		return fmt.Errorf("settings: %w", err)
	}
	for _, c := range h.Clinicians {
		made, err := p.manager.Planner.CreateClinician(p.ctx, &vw.CreateClinicianRequest{Parent: p.practice, Clinician: &vw.Clinician{
			Title: c.Title, Protocols: c.Protocols, Active: true, ShowConsiderReferral: c.ConsiderReferral}})
		if err != nil {
			return fmt.Errorf("%s: %w", c.Title, err)
		}
		p.names[c.ID] = made.GetName()
	}
	for _, r := range h.resources() {
		made, err := p.manager.Diary.CreateResource(p.ctx, &vw.CreateResourceRequest{Parent: p.practice, Resource: r})
		if err != nil {
			return fmt.Errorf("%s: %w", r.GetTitle(), err)
		}
		p.names[r.GetTitle()] = made.GetName()
		p.kinds[made.GetName()] = r.GetKind()
	}
	if err := p.hours(p.practice, h.Hours); err != nil {
		return err
	}
	for _, c := range h.Clinicians {
		if err := p.hours(p.names[c.ID], c.Hours); err != nil {
			return err
		}
	}
	if err := p.diarySettings(h); err != nil {
		return fmt.Errorf("diary: %w", err)
	}
	return p.closures(h)
}

func (h *house) resources() []*vw.Resource {
	var out []*vw.Resource
	for _, t := range h.Rooms {
		out = append(out, &vw.Resource{Kind: vw.Resource_KIND_ROOM, Title: t, CleanUpMinutes: 10, Active: true})
	}
	for _, t := range h.Nurses {
		out = append(out, &vw.Resource{Kind: vw.Resource_KIND_NURSE, Title: t, Active: true})
	}
	for _, e := range h.Equipment {
		out = append(out, &vw.Resource{Kind: vw.Resource_KIND_EQUIPMENT, Title: e.Title, EquipmentClass: e.Class, Active: true})
	}
	return out
}

func (p *player) settings(h *house) error {
	now, err := p.manager.Planner.GetPracticeSettings(p.ctx, &vw.GetPracticeSettingsRequest{Name: p.practice + "/settings"})
	if err != nil {
		return err
	}
	wanted := &vw.PracticeSettings{}
	if err := protojson.Unmarshal(h.Settings, wanted); err != nil {
		return err
	}
	etag := now.GetEtag()
	proto.Merge(now, wanted)
	now.Title, now.Zone, now.Etag = h.Title, demo.Zone, etag
	_, err = p.manager.Planner.UpdatePracticeSettings(p.ctx, &vw.UpdatePracticeSettingsRequest{Settings: now})
	return err
}

func (p *player) diarySettings(h *house) error {
	name := p.practice + "/diarySettings"
	now, err := p.manager.Diary.GetDiarySettings(p.ctx, &vw.GetDiarySettingsRequest{Name: name})
	if err != nil {
		return err
	}
	wanted := &vw.DiarySettings{}
	if err := protojson.Unmarshal(h.Diary, wanted); err != nil {
		return err
	}
	for _, r := range h.Reserves {
		from, to, err := span(r.Span)
		if err != nil {
			return err
		}
		release, err := time.Parse("15:04", r.Release)
		if err != nil {
			return err
		}
		days, err := weekdays(r.Days)
		if err != nil {
			return err
		}
		for _, d := range days {
			wanted.Reserves = append(wanted.Reserves, &vw.EmergencyReserve{Weekday: d, Resource: p.names[r.Who],
				FromMinute: minuteOf(from), ToMinute: minuteOf(to), ReleaseMinute: int32(release.Hour()*60 + release.Minute())})
		}
	}
	wanted.Name, wanted.Etag = name, now.GetEtag()
	_, err = p.manager.Diary.UpdateDiarySettings(p.ctx, &vw.UpdateDiarySettingsRequest{Settings: wanted})
	return err
}

// hours sets the working hours of one owner, from lines such as
// "mon tue 08:00-12:30".
func (p *player) hours(owner string, lines []string) error {
	out := &vw.Hours{Owner: owner}
	for _, line := range lines {
		at := strings.LastIndex(line, " ")
		if at < 0 {
			return fmt.Errorf("hours %q: want days and a span", line)
		}
		days, err := weekdays(line[:at])
		if err != nil {
			return err
		}
		from, to, err := span(line[at+1:])
		if err != nil {
			return err
		}
		for _, d := range days {
			out.Rules = append(out.Rules, &vw.HoursRule{Weekday: d, StartTime: from, EndTime: to})
		}
	}
	p.worked[owner] = out.GetRules()
	_, err := p.manager.Diary.SetHours(p.ctx, &vw.SetHoursRequest{Hours: out})
	if err != nil {
		return fmt.Errorf("hours of %s: %w", owner, err)
	}
	return nil
}

var dayNames = map[string]dayofweek.DayOfWeek{"mon": dayofweek.DayOfWeek_MONDAY, "tue": dayofweek.DayOfWeek_TUESDAY, "wed": dayofweek.DayOfWeek_WEDNESDAY,
	"thu": dayofweek.DayOfWeek_THURSDAY, "fri": dayofweek.DayOfWeek_FRIDAY}

func weekdays(text string) ([]dayofweek.DayOfWeek, error) {
	var out []dayofweek.DayOfWeek
	for _, w := range strings.Fields(text) {
		d, ok := dayNames[w]
		if !ok {
			return nil, fmt.Errorf("day %q: want mon to fri", w)
		}
		out = append(out, d)
	}
	return out, nil
}

func span(text string) (from, to *timeofday.TimeOfDay, err error) {
	a, b, _ := strings.Cut(text, "-")
	first, err := time.Parse("15:04", a)
	if err != nil {
		return nil, nil, err
	}
	last, err := time.Parse("15:04", b)
	return clockTime(first), clockTime(last), err
}

func clockTime(t time.Time) *timeofday.TimeOfDay {
	return &timeofday.TimeOfDay{Hours: int32(t.Hour()), Minutes: int32(t.Minute())}
}

func minuteOf(t *timeofday.TimeOfDay) int32 { return t.GetHours()*60 + t.GetMinutes() }

// closures closes the practice on public holidays, of the year of the demo and
// those around it, and enters who is away.
func (p *player) closures(h *house) error {
	year := p.days.today.Year()
	for y := year - 2; y <= year+1; y++ {
		listed, err := p.manager.Diary.ListHolidays(p.ctx, &vw.ListHolidaysRequest{Parent: p.practice, Year: int32(y), PageSize: 1000})
		if err != nil {
			return err
		}
		for _, d := range listed.GetHolidays() {
			_, err := p.manager.Diary.CreateAbsence(p.ctx, &vw.CreateAbsenceRequest{Parent: p.practice, Absence: &vw.Absence{
				Owner: p.practice, Kind: "holiday", FirstDate: d.GetDate(), LastDate: d.GetDate(), Note: d.GetTitle()}})
			if err != nil {
				return fmt.Errorf("holiday %s: %w", d.GetTitle(), err)
			}
		}
	}
	for _, a := range h.Absences {
		from, err := p.days.at(a.From)
		if err != nil {
			return err
		}
		to, err := p.days.at(a.To)
		if err != nil {
			return err
		}
		made := &vw.Absence{Owner: p.practice, Kind: a.Kind, Note: a.Note, FirstDate: toDate(from), LastDate: toDate(to)}
		if a.Who != "practice" {
			made.Owner = p.names[a.Who]
		}
		if from.Hour() > 0 {
			made.StartTime = clockTime(from)
		}
		if to.Hour() > 0 {
			made.EndTime = clockTime(to)
		}
		if _, err := p.manager.Diary.CreateAbsence(p.ctx, &vw.CreateAbsenceRequest{Parent: p.practice, Absence: made}); err != nil {
			return fmt.Errorf("absence of %s: %w", a.Who, err)
		}
		p.away = append(p.away, away{made.GetOwner(), from, lastMoment(to)})
	}
	return nil
}

// lastMoment is the end of the day when no time was said.
func lastMoment(t time.Time) time.Time {
	if t.Hour() == 0 && t.Minute() == 0 {
		return t.AddDate(0, 0, 1)
	}
	return t
}

// away is a span in which an owner does not work.
type away struct {
	owner    string
	from, to time.Time
}

// publicHolidays are the days of some years on which the practice is closed.
func publicHolidays(first, last int) (map[string]bool, error) {
	out := map[string]bool{}
	for y := first; y <= last; y++ {
		list, err := holidays.Suggest(demo.Region, y)
		if err != nil {
			return nil, err
		}
		for _, h := range list {
			out[h.Date.String()] = true
		}
	}
	return out, nil
}

// writes has the manager switch messages on.
func (p *player) writes(m messages) error {
	at, err := p.days.at(m.At)
	if err != nil {
		return err
	}
	hour, err := time.Parse("15:04", m.Time)
	if err != nil {
		return err
	}
	p.enqueue(at, "messages are switched on", func() error {
		name := p.practice + "/messagePolicy"
		now, err := p.manager.FollowUp.GetMessagePolicy(p.ctx, &vw.GetMessagePolicyRequest{Name: name})
		if err != nil {
			return err
		}
		now.Enabled, now.Telephone = true, m.Telephone
		now.Leads = []*vw.ReminderLead{{Days: m.Days, Time: clockTime(hour)}}
		_, err = p.manager.FollowUp.UpdateMessagePolicy(p.ctx, &vw.UpdateMessagePolicyRequest{Policy: now})
		return err
	})
	return nil
}

// resourcesOf are the names of one kind, in the order of their titles.
func (p *player) resourcesOf(kind vw.Resource_Kind) []string {
	var titles []string
	for title, name := range p.names {
		if p.kinds[name] == kind && kind != vw.Resource_KIND_UNSPECIFIED {
			titles = append(titles, title)
		}
	}
	slices.Sort(titles)
	for i, t := range titles {
		titles[i] = p.names[t]
	}
	return titles
}
