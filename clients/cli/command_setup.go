package cli

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/type/dayofweek"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// ResourceCommand keeps rooms, nurses and equipment.
type ResourceCommand struct {
	Add    ResourceAdd    `cmd:"" help:"Add a room, a nurse or a unit of equipment."`
	Change ResourceChange `cmd:"" help:"Change one; what is not given stays."`
	List   ResourceList   `cmd:"" default:"1" help:"List rooms, nurses and equipment."`
}

// ResourceAdd adds a resource.
type ResourceAdd struct {
	Kind        string `arg:"" help:"room, nurse or equipment." enum:"room,nurse,equipment"`
	Title       string `arg:"" help:"How people in the practice call it."`
	Class       string `help:"Kind of equipment whose units stand in for each other, for example microscope." placeholder:"ID"`
	Preparation int32  `help:"Minutes that a room is held before each appointment." placeholder:"MIN"`
	CleanUp     int32  `help:"Minutes that a room is held after each appointment." placeholder:"MIN"`

	Room     []string `help:"A room that the equipment serves, id; without it all. Repeat." sep:"none" placeholder:"ID"`
	External []string `help:"The name in another system, SYSTEM=VALUE. Repeat." sep:"none" placeholder:"SYSTEM=VALUE"`
}

// Run adds the resource.
func (c *ResourceAdd) Run(s *Session) error {
	names, err := externals(c.External)
	if err != nil {
		return err
	}
	made, err := s.Client.Diary.CreateResource(s.Context, &vw.CreateResourceRequest{Parent: s.parent(), Resource: &vw.Resource{
		Kind: vw.Resource_Kind(vw.Resource_Kind_value["KIND_"+strings.ToUpper(c.Kind)]), Title: c.Title, EquipmentClass: c.Class,
		PreparationMinutes: c.Preparation, CleanUpMinutes: c.CleanUp, Active: true, Rooms: s.resourceNames(c.Room), ExternalIdentifiers: names,
	}})
	if err != nil {
		return err
	}
	return s.Show(made, func(p *Page) { showResources(p, []*vw.Resource{made}, "") })
}

func (s *Session) resourceNames(ids []string) []string {
	var list []string
	for _, id := range ids {
		list = append(list, s.name("resources", id))
	}
	return list
}

// ResourceChange changes a resource; what it is stays.
type ResourceChange struct {
	Resource    string   `arg:"" help:"Id of the room, nurse or unit (resource list)."`
	Title       string   `help:"How people in the practice call it." placeholder:"TEXT"`
	Class       string   `help:"Kind of equipment whose units stand in for each other." placeholder:"ID"`
	Preparation *int32   `help:"Minutes that a room is held before each appointment." placeholder:"MIN"`
	CleanUp     *int32   `help:"Minutes that a room is held after each appointment." placeholder:"MIN"`
	Room        []string `help:"A room that the equipment serves, id; replaces the list. Repeat." sep:"none" placeholder:"ID"`
	AllRooms    bool     `help:"The equipment serves all rooms."`
	Active      *bool    `negatable:"" help:"Whether it is in use."`
	External    []string `help:"The name in another system, SYSTEM=VALUE; replaces the list. Repeat." sep:"none" placeholder:"SYSTEM=VALUE"`
}

// Run changes what was given.
func (c *ResourceChange) Run(s *Session) error {
	if c.AllRooms && len(c.Room) > 0 {
		return usage("give --room or --all-rooms, not both")
	}
	names, err := externals(c.External)
	if err != nil {
		return err
	}
	to, mask := &vw.Resource{Name: s.name("resources", c.Resource)}, &fieldmaskpb.FieldMask{}
	set := func(given bool, path string, how func()) {
		if given {
			how()
			mask.Paths = append(mask.Paths, path)
		}
	}
	set(c.Title != "", "title", func() { to.Title = c.Title })
	set(c.Class != "", "equipment_class", func() { to.EquipmentClass = c.Class })
	set(c.Preparation != nil, "preparation_minutes", func() { to.PreparationMinutes = *c.Preparation })
	set(c.CleanUp != nil, "clean_up_minutes", func() { to.CleanUpMinutes = *c.CleanUp })
	set(c.AllRooms || len(c.Room) > 0, "rooms", func() { to.Rooms = s.resourceNames(c.Room) })
	set(c.Active != nil, "active", func() { to.Active = *c.Active })
	set(len(names) > 0, "external_identifiers", func() { to.ExternalIdentifiers = names })
	if len(mask.Paths) == 0 {
		return usage("nothing to change was given")
	}
	was, err := s.Client.Diary.GetResource(s.Context, &vw.GetResourceRequest{Name: to.GetName()})
	if err != nil {
		return err
	}
	to.Etag, to.Kind = was.GetEtag(), was.GetKind()
	if to.Title == "" {
		to.Title = was.GetTitle() // the contract asks for one in every resource
	}
	now, err := s.Client.Diary.UpdateResource(s.Context, &vw.UpdateResourceRequest{Resource: to, UpdateMask: mask})
	if err != nil {
		return err
	}
	return s.Show(now, func(p *Page) { showResources(p, []*vw.Resource{now}, "") })
}

// ResourceList lists resources.
type ResourceList struct{ PageFlags }

// Run lists the resources.
func (c *ResourceList) Run(s *Session) error {
	reply, err := s.Client.Diary.ListResources(s.Context, &vw.ListResourcesRequest{Parent: s.parent(), PageSize: c.Most, PageToken: c.After})
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) { showResources(p, reply.GetResources(), reply.GetNextPageToken()) })
}

func showResources(p *Page, list []*vw.Resource, next string) {
	var rows [][]string
	for _, r := range list {
		state := "in use"
		if !r.GetActive() {
			state = "not in use"
		}
		around := ""
		if r.GetPreparationMinutes()+r.GetCleanUpMinutes() > 0 {
			around = fmt.Sprintf("%d min before, %d after", r.GetPreparationMinutes(), r.GetCleanUpMinutes())
		}
		rows = append(rows, []string{shortID(r.GetName()), words(r.GetKind().String(), "KIND_"), r.GetTitle(), r.GetEquipmentClass(), state, around})
	}
	p.list([]string{"id", "kind", "title", "class", "state", "held"}, rows, "resources", next)
}

// owner completes "practice", "clinicians/ID" or "resources/ID".
func (s *Session) owner(text string) (string, error) {
	if text == "practice" {
		return s.parent(), nil
	}
	collection, id, found := strings.Cut(text, "/")
	if !found || id == "" || collection != "clinicians" && collection != "resources" && collection != "practices" {
		return "", usage("%q: want practice, clinicians/ID or resources/ID", text)
	}
	return s.name(collection, text), nil
}

// HoursCommand keeps working hours.
type HoursCommand struct {
	Show HoursShow `cmd:"" help:"Show the hours of the practice, a clinician or a resource."`
	List HoursList `cmd:"" help:"Show the hours of everybody and everything that has its own."`
	Set  HoursSet  `cmd:"" help:"Replace all hours of one owner, and say which bookings that breaks."`
}

// HoursShow shows hours.
type HoursShow struct {
	Owner string `arg:"" help:"Whose: practice, clinicians/ID or resources/ID." default:"practice"`
}

// Run shows the hours.
func (c *HoursShow) Run(s *Session) error {
	owner, err := s.owner(c.Owner)
	if err != nil {
		return err
	}
	h, err := s.Client.Diary.GetHours(s.Context, &vw.GetHoursRequest{Owner: owner})
	if err != nil {
		return err
	}
	return s.Show(h, func(p *Page) { showHours(p, h) })
}

// HoursList shows all hours.
type HoursList struct{}

// Run shows all hours, the practice's first.
func (c *HoursList) Run(s *Session) error {
	all, err := s.Client.Diary.ListHours(s.Context, &vw.ListHoursRequest{Parent: s.parent(), PageSize: 1000})
	if err != nil {
		return err
	}
	return s.Show(all, func(p *Page) {
		for _, h := range all.GetHours() {
			showHours(p, h)
		}
		if len(all.GetHours()) == 0 {
			p.Text("Nobody has hours yet.")
		}
	})
}

// HoursSet replaces hours.
type HoursSet struct {
	Owner   string   `arg:"" help:"Whose: practice, clinicians/ID or resources/ID."`
	Rules   []string `arg:"" name:"rule" help:"DAY=HH:MM-HH:MM; several spans a day leave breaks between them. DAY/2+1 holds every second week, the second of the two."`
	Preview bool     `help:"Say what it would break and set nothing."`
}

// Run sets the hours.
func (c *HoursSet) Run(s *Session) error {
	owner, err := s.owner(c.Owner)
	if err != nil {
		return err
	}
	hours := &vw.Hours{Owner: owner}
	for _, text := range c.Rules {
		rule, err := parseHours(text)
		if err != nil {
			return err
		}
		hours.Rules = append(hours.Rules, rule)
	}
	was, err := s.Client.Diary.GetHours(s.Context, &vw.GetHoursRequest{Owner: owner})
	if err != nil {
		return err
	}
	hours.Etag = was.GetEtag()
	reply, err := s.Client.Diary.SetHours(s.Context, &vw.SetHoursRequest{Hours: hours, ValidateOnly: c.Preview})
	if err != nil {
		return err
	}
	t, err := s.titles()
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) {
		showHours(p, reply.GetHours())
		showBroken(p, reply.GetBrokenAppointments(), t)
	})
}

// parseHours reads "mon=08:00-12:00" or "mon/2+1=08:00-12:00".
func parseHours(text string) (*vw.HoursRule, error) {
	day, span, found := strings.Cut(text, "=")
	from, to, both := strings.Cut(span, "-")
	if !found || !both {
		return nil, usage("hours %q: want DAY=HH:MM-HH:MM, for example mon=08:00-12:00", text)
	}
	rule := &vw.HoursRule{}
	name, cycle, alternating := strings.Cut(day, "/")
	var err error
	if rule.Weekday, err = parseWeekday("hours", name); err != nil {
		return nil, err
	}
	if alternating {
		if n, err := fmt.Sscanf(cycle, "%d+%d", &rule.EveryWeeks, &rule.InWeek); n != 2 || err != nil || rule.GetInWeek() < 0 || rule.GetInWeek() >= rule.GetEveryWeeks() {
			return nil, usage("hours %q: want DAY/N+K with K from 0 below N, for example mon/2+1", text)
		}
	}
	if rule.StartTime, err = parseClock("hours", from); err != nil {
		return nil, err
	}
	if rule.EndTime, err = parseClock("hours", to); err != nil {
		return nil, err
	}
	return rule, nil
}

func showHours(p *Page, h *vw.Hours) {
	p.Title("Hours of %s", shortID(h.GetOwner()))
	if len(h.GetRules()) == 0 {
		p.Text("None of its own: the practice's hours hold.")
		return
	}
	rules := slices.Clone(h.GetRules())
	slices.SortStableFunc(rules, func(a, b *vw.HoursRule) int {
		return int(a.GetWeekday()-b.GetWeekday())*10000 + int(a.GetStartTime().GetHours()-b.GetStartTime().GetHours())*60 + int(a.GetStartTime().GetMinutes()-b.GetStartTime().GetMinutes())
	})
	var rows [][]string
	for _, r := range rules {
		weeks := ""
		if r.GetEveryWeeks() > 1 {
			weeks = fmt.Sprintf("every %d weeks, week %d", r.GetEveryWeeks(), r.GetInWeek()+1)
		}
		bounds := strings.TrimSpace(strings.Join(nonEmpty(prefixed("from ", sayDate(r.GetFirstDate())), prefixed("to ", sayDate(r.GetLastDate()))), " "))
		rows = append(rows, []string{dayName(r.GetWeekday()), clock(int(r.GetStartTime().GetHours()*60+r.GetStartTime().GetMinutes())) + "-" +
			clock(int(r.GetEndTime().GetHours()*60+r.GetEndTime().GetMinutes())), weeks, bounds})
	}
	p.Table([]string{"day", "hours", "weeks", "holds"}, rows)
}

func prefixed(prefix, text string) string {
	if text == "" {
		return ""
	}
	return prefix + text
}

func dayName(d dayofweek.DayOfWeek) string {
	text := words(d.String(), "")
	return strings.ToUpper(text[:1]) + text[1:]
}

func showBroken(p *Page, broken []*vw.Appointment, t titles) {
	if len(broken) == 0 {
		return
	}
	p.Heading("No longer fit")
	for _, a := range broken {
		p.Item("%s, %s: appointment %s", when(a.GetPlace()), t.with(a.GetPlace()), shortID(a.GetName()))
	}
	p.Text("They stay where they are until somebody moves them.")
}

// ClosureCommand keeps closures and absences.
type ClosureCommand struct {
	Add      ClosureAdd      `cmd:"" help:"Close the practice, or take a clinician or a resource out of the diary."`
	List     ClosureList     `cmd:"" default:"1" help:"List closures and absences."`
	Remove   ClosureRemove   `cmd:"" help:"Take one back."`
	Holidays ClosureHolidays `cmd:"" help:"List the public holidays of the practice's region, as suggestions."`
}

// ClosureAdd adds a closure.
type ClosureAdd struct {
	First   string `arg:"" help:"First day, YYYY-MM-DD."`
	Last    string `arg:"" optional:"" help:"Last day; without it the same."`
	Owner   string `help:"Who is away: practice, clinicians/ID or resources/ID." default:"practice" placeholder:"OWNER"`
	Kind    string `help:"Why (catalogue absence-kinds)." default:"closed" placeholder:"ID"`
	Note    string `help:"What else should be known." placeholder:"TEXT"`
	Preview bool   `help:"Say what it would break and keep nothing."`
}

// Run adds the closure.
func (c *ClosureAdd) Run(s *Session) error {
	owner, err := s.owner(c.Owner)
	if err != nil {
		return err
	}
	if c.Last == "" {
		c.Last = c.First
	}
	absence := &vw.Absence{Owner: owner, Kind: c.Kind, Note: c.Note}
	if absence.FirstDate, err = parseDate("first day", c.First); err != nil {
		return err
	}
	if absence.LastDate, err = parseDate("last day", c.Last); err != nil {
		return err
	}
	reply, err := s.Client.Diary.CreateAbsence(s.Context, &vw.CreateAbsenceRequest{Parent: s.parent(), Absence: absence, ValidateOnly: c.Preview})
	if err != nil {
		return err
	}
	t, err := s.titles()
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) {
		showAbsences(p, []*vw.Absence{reply.GetAbsence()}, t, "")
		showBroken(p, reply.GetBrokenAppointments(), t)
	})
}

// ClosureList lists closures.
type ClosureList struct{ PageFlags }

// Run lists the closures.
func (c *ClosureList) Run(s *Session) error {
	reply, err := s.Client.Diary.ListAbsences(s.Context, &vw.ListAbsencesRequest{Parent: s.parent(), PageSize: c.Most, PageToken: c.After})
	if err != nil {
		return err
	}
	t, err := s.titles()
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) { showAbsences(p, reply.GetAbsences(), t, reply.GetNextPageToken()) })
}

func showAbsences(p *Page, list []*vw.Absence, t titles, next string) {
	var rows [][]string
	for _, a := range list {
		who := t.of(a.GetOwner())
		if !strings.Contains(strings.TrimPrefix(a.GetOwner(), "practices/"), "/") {
			who = "the practice"
		}
		rows = append(rows, []string{shortID(a.GetName()), sayDate(a.GetFirstDate()), sayDate(a.GetLastDate()), who, words(a.GetKind(), ""), a.GetNote()})
	}
	p.list([]string{"id", "first day", "last day", "who", "why", "note"}, rows, "closures", next)
}

// ClosureRemove removes a closure.
type ClosureRemove struct {
	Closure string `arg:"" help:"Id of the closure or absence."`
}

// Run removes the closure.
func (c *ClosureRemove) Run(s *Session) error {
	if _, err := s.Client.Diary.DeleteAbsence(s.Context, &vw.DeleteAbsenceRequest{Name: s.name("absences", c.Closure)}); err != nil {
		return err
	}
	_, err := fmt.Fprintln(s.Out, "Taken back.")
	return err
}

// ClosureHolidays lists holidays.
type ClosureHolidays struct {
	Year int32 `arg:"" help:"The year."`
}

// Run lists the holidays.
func (c *ClosureHolidays) Run(s *Session) error {
	reply, err := s.Client.Diary.ListHolidays(s.Context, &vw.ListHolidaysRequest{Parent: s.parent(), Year: c.Year, PageSize: 1000})
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) {
		var rows [][]string
		for _, h := range reply.GetHolidays() {
			closed := ""
			if h.GetClosed() {
				closed = "closed already"
			}
			rows = append(rows, []string{dayWords(dayOf(h.GetDate())), h.GetTitle(), closed})
		}
		p.list([]string{"day", "holiday", ""}, rows, "holidays", "")
	})
}
