package cli

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"google.golang.org/grpc/codes"

	client "github.com/visitwright/visitwright/clients/go"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// DiaryCommand shows the diary.
type DiaryCommand struct {
	Day       DiaryDay             `cmd:"" default:"withargs" help:"Show one day."`
	Week      DiaryWeek            `cmd:"" help:"Draw one week."`
	Conflicts DiaryConflicts       `cmd:"" help:"List appointments that stand in conflict: taken in from another system."`
	Watch     DiaryWatch           `cmd:"" help:"Show changes as they happen, until interrupted."`
	Settings  DiarySettingsCommand `cmd:"" help:"Show or change how the diary is run. Managers change."`
	Export    DiaryExport          `cmd:"" help:"Write an iCalendar file of an appointment, a booking, a clinician or a room."`
	Feed      FeedCommand          `cmd:"" help:"Calendars to subscribe to: make, list and end their addresses. Managers; clinicians their own."`
}

// WhoseFlags narrow the diary.
type WhoseFlags struct {
	Clinician string `help:"Only this clinician: id." placeholder:"ID"`
	Resource  string `help:"Only this room, nurse or unit of equipment: id." placeholder:"ID"`
	All       bool   `help:"Also what holds nothing any more: cancelled, expired, not attended."`
}

func (f *WhoseFlags) of(s *Session) string {
	switch {
	case f.Clinician != "":
		return s.name("clinicians", f.Clinician)
	case f.Resource != "":
		return s.name("resources", f.Resource)
	}
	return ""
}

// appointments reads every appointment of some days.
func (s *Session) appointments(first, last time.Time, request *vw.ListAppointmentsRequest) ([]*vw.Appointment, error) {
	request.Parent, request.PageSize = s.parent(), 1000
	request.Days = &vw.DateRange{FirstDate: dateOf(first), LastDate: dateOf(last)}
	var all []*vw.Appointment
	for {
		reply, err := s.Client.Diary.ListAppointments(s.Context, request)
		if err != nil {
			return nil, err
		}
		all = append(all, reply.GetAppointments()...)
		if request.PageToken = reply.GetNextPageToken(); request.PageToken == "" {
			return all, nil
		}
	}
}

// day reads a day argument; without one it is today by this machine's clock.
func (s *Session) day(text string) (time.Time, error) {
	if text == "" {
		now := s.Now()
		return time.Date(now.Year(), now.Month(), now.Day(), 0, 0, 0, 0, time.UTC), nil
	}
	d, err := parseDate("day", text)
	if err != nil {
		return time.Time{}, err
	}
	return dayOf(d), nil
}

// DiaryDay shows a day.
type DiaryDay struct {
	Day string `arg:"" optional:"" help:"The day, YYYY-MM-DD; without it today."`
	WhoseFlags
}

// Run shows the day.
func (c *DiaryDay) Run(s *Session) error {
	day, err := s.day(c.Day)
	if err != nil {
		return err
	}
	list, err := s.appointments(day, day, &vw.ListAppointmentsRequest{Resource: c.of(s), AllStates: c.All})
	if err != nil {
		return err
	}
	t, err := s.titles()
	if err != nil {
		return err
	}
	return s.Show(&vw.ListAppointmentsResponse{Appointments: list}, func(p *Page) { ShowDay(p, day, list, t) })
}

// DiaryWeek draws a week.
type DiaryWeek struct {
	Day string `arg:"" optional:"" help:"A day of the week, YYYY-MM-DD; without it today. The week begins on its Monday."`
	WhoseFlags
}

// Run draws the week.
func (c *DiaryWeek) Run(s *Session) error {
	day, err := s.day(c.Day)
	if err != nil {
		return err
	}
	first := day.AddDate(0, 0, -(int(day.Weekday())+6)%7)
	list, err := s.appointments(first, first.AddDate(0, 0, 6), &vw.ListAppointmentsRequest{Resource: c.of(s), AllStates: c.All})
	if err != nil {
		return err
	}
	return s.Show(&vw.ListAppointmentsResponse{Appointments: list}, func(p *Page) { ShowWeek(p, first, list) })
}

// DiaryConflicts lists conflicts.
type DiaryConflicts struct {
	Day  string `arg:"" optional:"" help:"From this day, YYYY-MM-DD; without it today."`
	Days int    `help:"How many days." default:"365" placeholder:"N"`
}

// Run lists the conflicts.
func (c *DiaryConflicts) Run(s *Session) error {
	day, err := s.day(c.Day)
	if err != nil {
		return err
	}
	if c.Days < 1 || c.Days > 400 {
		return usage("--days %d: want 1 to 400", c.Days)
	}
	list, err := s.appointments(day, day.AddDate(0, 0, c.Days-1), &vw.ListAppointmentsRequest{ConflictsOnly: true})
	if err != nil {
		return err
	}
	t, err := s.titles()
	if err != nil {
		return err
	}
	return s.Show(&vw.ListAppointmentsResponse{Appointments: list}, func(p *Page) {
		var rows [][]string
		for _, a := range list {
			var against []string
			for _, name := range a.GetConflicts() {
				against = append(against, shortID(name))
			}
			rows = append(rows, []string{when(a.GetPlace()), t.with(a.GetPlace()), shortID(a.GetName()), strings.Join(against, ", ")})
		}
		p.list([]string{"when", "with", "appointment", "in conflict with"}, rows, "conflicts", "")
	})
}

// DiaryWatch follows changes.
type DiaryWatch struct {
	After string `help:"Go on after this token, so that no change is lost." placeholder:"TOKEN"`
	WhoseFlags
}

// Run writes a line for each change. A connection that is lost is made again,
// and goes on after the last change seen. It ends when it is interrupted and
// then says how to go on.
func (c *DiaryWatch) Run(s *Session) error {
	request := &vw.WatchDiaryRequest{Parent: s.parent(), ResumeToken: c.After}
	if of := c.of(s); of != "" {
		request.Resources = []string{of}
	}
	heard := false
	for {
		err := s.follow(request, &heard)
		var lost *client.Error
		switch {
		case s.Context.Err() != nil:
			if request.GetResumeToken() != "" {
				_, err := fmt.Fprintf(s.Out, "go on with --after %s\n", request.GetResumeToken())
				return err
			}
			return nil
		case !heard, !errors.Is(err, io.EOF) && (!errors.As(err, &lost) || lost.Code != codes.Unavailable):
			return err
		}
		select {
		case <-s.Context.Done():
		case <-time.After(watchAgain):
		}
	}
}

// watchAgain is how long a watch waits before it connects again.
const watchAgain = time.Second

// follow reads one stream to its end and keeps the request's resume token at
// the last message.
func (s *Session) follow(request *vw.WatchDiaryRequest, heard *bool) error {
	stream, err := s.Client.Diary.WatchDiary(s.Context, request)
	if err != nil {
		return err
	}
	for {
		message, err := stream.Recv()
		if err != nil {
			return err
		}
		*heard = true
		request.ResumeToken = message.GetResumeToken()
		change := message.GetChange()
		if change == nil {
			continue // a heartbeat
		}
		if s.JSON {
			if err := writeJSON(s.Out, message); err != nil {
				return err
			}
			continue
		}
		text := ""
		if a := change.GetAppointment(); a != nil {
			text = when(a.GetPlace()) + ", " + stateWords(a)
		}
		line := fmt.Sprintf("%6d  %s  %-24s %s  %s", change.GetSequence(), change.GetChangeTime().AsTime().Format("15:04:05"), change.GetKind(), shortID(change.GetResource()), text)
		if _, err := fmt.Fprintln(s.Out, strings.TrimRight(line, " ")); err != nil {
			return err
		}
	}
}

// DiaryExport writes a calendar file.
type DiaryExport struct {
	Name string `arg:"" help:"What: appointments/ID, bookings/ID, clinicians/ID or resources/ID."`
	Out  string `help:"File to write; without it standard output." placeholder:"FILE"`
	From string `help:"First day of a clinician or a room." placeholder:"YYYY-MM-DD"`
	To   string `help:"Last day of it." placeholder:"YYYY-MM-DD"`
}

// Run writes the calendar.
func (c *DiaryExport) Run(s *Session) error {
	collection, _, found := strings.Cut(c.Name, "/")
	if !found {
		return usage("%q: want appointments/ID, bookings/ID, clinicians/ID or resources/ID", c.Name)
	}
	request := &vw.ExportCalendarRequest{Name: s.name(collection, c.Name)}
	if (c.From == "") != (c.To == "") {
		return usage("--from and --to belong together")
	}
	if c.From != "" {
		from, err := parseDate("--from", c.From)
		if err != nil {
			return err
		}
		to, err := parseDate("--to", c.To)
		if err != nil {
			return err
		}
		request.Days = &vw.DateRange{FirstDate: from, LastDate: to}
	}
	reply, err := s.Client.Diary.ExportCalendar(s.Context, request)
	if err != nil {
		return err
	}
	if c.Out != "" {
		return os.WriteFile(c.Out, reply.GetCalendar(), 0o600)
	}
	_, err = s.Out.Write(reply.GetCalendar())
	return err
}
