package cli

import (
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"google.golang.org/genproto/googleapis/type/dayofweek"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// WishFlags is what patient and practice ask of the places.
type WishFlags struct {
	NotBefore      string   `help:"Not before this day." placeholder:"YYYY-MM-DD"`
	NotAfter       string   `help:"Not after this day." placeholder:"YYYY-MM-DD"`
	Weekday        []string `help:"A weekday that suits: mon, tue ... Repeat." sep:"none" placeholder:"DAY"`
	Between        []string `help:"A time of day that suits, HH:MM-HH:MM. Repeat." sep:"none" placeholder:"SPAN"`
	Except         []string `help:"A day that does not suit. Repeat." sep:"none" placeholder:"YYYY-MM-DD"`
	With           []string `help:"A clinician who may do it: id. Repeat." sep:"none" placeholder:"ID"`
	SameClinician  bool     `help:"The same clinician for all visits."`
	FirstAvailable bool     `help:"The soonest place counts above everything else."`
	Accompanied    bool     `help:"The patient comes accompanied."`
	Urgent         bool     `help:"Pain or swelling: the minimum of a window does not bind."`
	OtherDays      bool     `help:"One set for each combination of days, not ten on the same ones."`
}

var weekdays = map[string]dayofweek.DayOfWeek{
	"mon": dayofweek.DayOfWeek_MONDAY, "tue": dayofweek.DayOfWeek_TUESDAY, "wed": dayofweek.DayOfWeek_WEDNESDAY, "thu": dayofweek.DayOfWeek_THURSDAY,
	"fri": dayofweek.DayOfWeek_FRIDAY, "sat": dayofweek.DayOfWeek_SATURDAY, "sun": dayofweek.DayOfWeek_SUNDAY,
}

func parseWeekday(flag, text string) (dayofweek.DayOfWeek, error) {
	if day, known := weekdays[strings.ToLower(text)]; known {
		return day, nil
	}
	return 0, usage("%s %q: want mon, tue, wed, thu, fri, sat or sun", flag, text)
}

// parseSpan reads "09:00-12:30".
func parseSpan(flag, text string) (*vw.DaySpan, error) {
	from, to, found := strings.Cut(text, "-")
	a, err := parseClock(flag, from)
	if err != nil {
		return nil, err
	}
	b, err := parseClock(flag, to)
	if err != nil {
		return nil, err
	}
	span := &vw.DaySpan{FromMinute: a.GetHours()*60 + a.GetMinutes(), ToMinute: b.GetHours()*60 + b.GetMinutes()}
	if !found || span.GetToMinute() <= span.GetFromMinute() {
		return nil, usage("%s %q: want HH:MM-HH:MM with the later time behind", flag, text)
	}
	return span, nil
}

func (f *WishFlags) wishes(s *Session) (*vw.OfferWishes, error) {
	w := &vw.OfferWishes{SameClinician: f.SameClinician, FirstAvailable: f.FirstAvailable, Accompanied: f.Accompanied, Urgent: f.Urgent, OtherDays: f.OtherDays}
	var err error
	if f.NotBefore != "" {
		if w.NotBefore, err = parseDate("--not-before", f.NotBefore); err != nil {
			return nil, err
		}
	}
	if f.NotAfter != "" {
		if w.NotAfter, err = parseDate("--not-after", f.NotAfter); err != nil {
			return nil, err
		}
	}
	for _, text := range f.Weekday {
		day, err := parseWeekday("--weekday", text)
		if err != nil {
			return nil, err
		}
		w.Weekdays = append(w.Weekdays, day)
	}
	for _, text := range f.Between {
		span, err := parseSpan("--between", text)
		if err != nil {
			return nil, err
		}
		w.Times = append(w.Times, span)
	}
	for _, text := range f.Except {
		day, err := parseDate("--except", text)
		if err != nil {
			return nil, err
		}
		w.Excluded = append(w.Excluded, &vw.DateRange{FirstDate: day, LastDate: day})
	}
	for _, id := range f.With {
		w.Clinicians = append(w.Clinicians, s.name("clinicians", id))
	}
	return w, nil
}

// OffersCommand looks for places.
type OffersCommand struct {
	Cases  []string `arg:"" name:"case" help:"Ids of the cases: one, or several teeth of one patient in the same visits."`
	Option string   `help:"Id of the option; without it the accepted one, else the recommended one." placeholder:"ID"`
	Visit  []int32  `help:"Only these visits; without it all of the option. Repeat." placeholder:"N"`
	Firm   bool     `help:"Ask for firm places also for visits that are more likely not needed."`
	After  string   `help:"Place the visits around this appointment of the plan's first visit: id." placeholder:"ID"`
	Most   int32    `help:"Most offers to show." default:"10" placeholder:"N"`
	WishFlags
}

// savedOffers is what `offers` leaves for `book`.
type savedOffers struct {
	Patient string   `json:"patient"`
	Tokens  []string `json:"tokens"`
}

func (s *Session) offersPath() string { return filepath.Join(s.Folder, "last-offers.json") }

// Run looks for places, shows the offers, and keeps their tokens for `book`.
func (c *OffersCommand) Run(s *Session) error {
	request, err := c.request(s)
	if err != nil {
		return err
	}
	return s.findOffers(request)
}

// findOffers shows the offers of a request and keeps their tokens for `book`.
func (s *Session) findOffers(request *vw.FindOffersRequest) error {
	reply, err := s.Client.Diary.FindOffers(s.Context, request)
	if err != nil {
		return err
	}
	saved := savedOffers{Patient: request.GetPatient()}
	for _, o := range reply.GetOffers() {
		saved.Tokens = append(saved.Tokens, o.GetToken())
	}
	if s.Folder != "" {
		text, err := json.Marshal(saved)
		if err != nil {
			return err
		}
		if err := os.WriteFile(s.offersPath(), text, 0o600); err != nil {
			return fmt.Errorf("the offers cannot be kept for `book`: %w", err)
		}
	}
	t, err := s.titles()
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) { ShowOffers(p, reply, t) })
}

func (c *OffersCommand) request(s *Session) (*vw.FindOffersRequest, error) {
	wishes, err := c.wishes(s)
	if err != nil {
		return nil, err
	}
	request := &vw.FindOffersRequest{Parent: s.parent(), Wishes: wishes, MostOffers: c.Most}
	visits := c.Visit
	var plans []string
	inCase := map[int32]bool{}
	for i, id := range c.Cases {
		found, err := s.planner().GetCase(s.Context, &vw.GetCaseRequest{Name: s.name("cases", id)})
		if err != nil {
			return nil, err
		}
		if i == 0 {
			request.Patient = found.GetPatient()
		}
		name, err := s.plan(id, 0)
		if err != nil {
			return nil, err
		}
		plans = append(plans, name)
	}
	plan, err := s.planner().GetPlan(s.Context, &vw.GetPlanRequest{Name: plans[0]})
	if err != nil {
		return nil, err
	}
	option := orElse(c.Option, orElse(plan.GetAccepted().GetOption(), plan.GetRecommendedOption()))
	for _, v := range optionOf(plan, option).GetVisits() {
		inCase[v.GetNumber()] = ifNeeded(v) && !c.Firm
		if len(c.Visit) == 0 {
			visits = append(visits, v.GetNumber())
		}
	}
	for i, n := range visits {
		visit := &vw.VisitToPlace{IfNeeded: inCase[n]}
		for _, plan := range plans {
			visit.Parts = append(visit.Parts, &vw.VisitPart{Plan: plan, Option: c.Option, Visit: n})
		}
		if i == 0 && c.After != "" {
			visit.Appointment = s.name("appointments", c.After)
		}
		request.Visits = append(request.Visits, visit)
	}
	return request, nil
}

// BookCommand books.
type BookCommand struct {
	Offer string `arg:"" help:"Number of an offer that \"offers\" has just shown, or an offer's token."`
	Keep  int32  `help:"Keep the places provisionally for so many minutes; without it they are booked firmly." placeholder:"MIN"`
	For   string `help:"The patient, with a token: id or reference." placeholder:"ID"`
}

// Run books the offer.
func (c *BookCommand) Run(s *Session) error {
	request := &vw.BookOfferRequest{Parent: s.parent(), KeepMinutes: c.Keep}
	number, err := strconv.Atoi(c.Offer)
	if err == nil {
		text, err := os.ReadFile(s.offersPath())
		if errors.Is(err, fs.ErrNotExist) {
			return usage("no offers are at hand: look for some with `visitwright offers CASE`")
		}
		if err != nil {
			return err
		}
		var saved savedOffers
		if err := json.Unmarshal(text, &saved); err != nil {
			return usage("the kept offers cannot be read: look for some with `visitwright offers CASE`")
		}
		if number < 1 || number > len(saved.Tokens) {
			return usage("offer %d: the last search found %d", number, len(saved.Tokens))
		}
		request.Patient, request.OfferToken = saved.Patient, saved.Tokens[number-1]
	} else {
		if c.For == "" {
			return usage("with a token, say for whom: --for PATIENT")
		}
		patient, err := s.findPatient(c.For)
		if err != nil {
			return err
		}
		request.Patient, request.OfferToken = patient.GetName(), c.Offer
	}
	booking, err := s.Client.Diary.BookOffer(s.Context, request)
	if err != nil {
		return err
	}
	return s.showBooking(booking)
}

func (s *Session) showBooking(b *vw.Booking) error {
	t, err := s.titles()
	if err != nil {
		return err
	}
	return s.Show(b, func(p *Page) {
		p.Title("Booking %s", shortID(b.GetName()))
		for _, a := range b.GetAppointments() {
			ShowAppointment(p, a, t)
		}
	})
}

// BookingCommand shows or confirms a booking.
type BookingCommand struct {
	Show    BookingShow    `cmd:"" help:"Show a booking."`
	Confirm BookingConfirm `cmd:"" help:"Make a provisional booking firm."`
}

// BookingShow shows a booking.
type BookingShow struct {
	Booking string `arg:"" help:"Id of the booking."`
}

// Run shows the booking.
func (c *BookingShow) Run(s *Session) error {
	b, err := s.Client.Diary.GetBooking(s.Context, &vw.GetBookingRequest{Name: s.name("bookings", c.Booking)})
	if err != nil {
		return err
	}
	return s.showBooking(b)
}

// BookingConfirm confirms a booking.
type BookingConfirm struct {
	Booking string `arg:"" help:"Id of the booking."`
}

// Run confirms the booking.
func (c *BookingConfirm) Run(s *Session) error {
	b, err := s.Client.Diary.ConfirmBooking(s.Context, &vw.ConfirmBookingRequest{Name: s.name("bookings", c.Booking)})
	if err != nil {
		return err
	}
	return s.showBooking(b)
}
