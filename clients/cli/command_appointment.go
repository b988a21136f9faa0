package cli

import (
	"fmt"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// AppointmentCommand changes one appointment.
type AppointmentCommand struct {
	Show   AppointmentShow   `cmd:"" help:"Show an appointment."`
	Move   AppointmentMove   `cmd:"" help:"Move it, and say what that does to later visits."`
	Cancel AppointmentCancel `cmd:"" help:"Cancel it."`
	Note   AppointmentNote   `cmd:"" help:"Note that the patient arrived, sits in the chair, has left, or did not attend."`
}

// AppointmentShow shows an appointment.
type AppointmentShow struct {
	Appointment string `arg:"" help:"Id of the appointment."`
}

func (s *Session) appointment(id string) (*vw.Appointment, error) {
	return s.Client.Diary.GetAppointment(s.Context, &vw.GetAppointmentRequest{Name: s.name("appointments", id)})
}

func (s *Session) showAppointment(a *vw.Appointment) error {
	t, err := s.titles()
	if err != nil {
		return err
	}
	return s.Show(a, func(p *Page) { ShowAppointment(p, a, t) })
}

// Run shows the appointment.
func (c *AppointmentShow) Run(s *Session) error {
	a, err := s.appointment(c.Appointment)
	if err != nil {
		return err
	}
	return s.showAppointment(a)
}

// AppointmentMove moves an appointment.
type AppointmentMove struct {
	Appointment string `arg:"" help:"Id of the appointment."`
	To          string `required:"" help:"Where it goes: \"YYYY-MM-DD HH:MM\"." placeholder:"WHEN"`
	Minutes     int32  `help:"A new length; without it the old one." placeholder:"MIN"`
	Reason      string `help:"Why (catalogue change-reasons)." default:"patient-asked" placeholder:"ID"`
	Override    string `help:"Your reason, as a clinician, for a place outside the return window." placeholder:"TEXT"`
	Preview     bool   `help:"Say what it would do and move nothing."`
	Repair      bool   `help:"Also make the moves and cancellations that put later visits right."`
}

// Run moves the appointment.
func (c *AppointmentMove) Run(s *Session) error {
	start, err := parseStart("--to", c.To)
	if err != nil {
		return err
	}
	a, err := s.appointment(c.Appointment)
	if err != nil {
		return err
	}
	place := &vw.Place{Start: start, Minutes: a.GetPlace().GetMinutes()}
	if c.Minutes > 0 {
		place.Minutes = c.Minutes
	}
	request := &vw.MoveAppointmentRequest{Name: a.GetName(), Etag: a.GetEtag(), Place: place, Reason: c.Reason, ValidateOnly: c.Preview}
	if c.Override != "" {
		request.Override = &vw.WindowOverride{Reason: c.Override}
	}
	reply, err := s.Client.Diary.MoveAppointment(s.Context, request)
	if err != nil {
		return err
	}
	if c.Repair && !c.Preview && reply.GetRepair() != nil {
		if _, err := s.Client.Diary.RepairAppointments(s.Context, &vw.RepairAppointmentsRequest{Parent: s.parent(), Repair: reply.GetRepair()}); err != nil {
			return fmt.Errorf("moved, but the later visits could not be put right: %w", err)
		}
	}
	t, err := s.titles()
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) {
		ShowAppointment(p, reply.GetAppointment(), t)
		if len(reply.GetEffects()) > 0 {
			p.Heading("Later visits")
			showEffects(p, reply.GetEffects())
		}
		showRepair(p, reply.GetRepair(), c.Repair && !c.Preview)
	})
}

func showRepair(p *Page, r *vw.AppointmentRepair, done bool) {
	if r == nil {
		return
	}
	if done {
		p.Text("Put right:")
	} else {
		p.Text("This would put it right, with --repair:")
	}
	for _, m := range r.GetMoves() {
		p.Item("move %s to %s", shortID(m.GetAppointment()), when(m.GetPlace()))
	}
	for _, x := range r.GetCancels() {
		p.Item("cancel %s", shortID(x.GetAppointment()))
	}
}

// AppointmentCancel cancels an appointment.
type AppointmentCancel struct {
	Appointment string `arg:"" help:"Id of the appointment."`
	Reason      string `help:"Why (catalogue change-reasons)." default:"patient-asked" placeholder:"ID"`
}

// Run cancels the appointment.
func (c *AppointmentCancel) Run(s *Session) error {
	a, err := s.appointment(c.Appointment)
	if err != nil {
		return err
	}
	now, err := s.Client.Diary.CancelAppointment(s.Context, &vw.CancelAppointmentRequest{Name: a.GetName(), Etag: a.GetEtag(), Reason: c.Reason})
	if err != nil {
		return err
	}
	return s.showAppointment(now)
}

// AppointmentNote notes attendance.
type AppointmentNote struct {
	Appointment string `arg:"" help:"Id of the appointment."`
	State       string `arg:"" help:"arrived, in-chair, left, did-not-attend, or booked to take back did-not-attend." enum:"arrived,in-chair,left,did-not-attend,booked"`
	Late        int32  `help:"Minutes lost because the patient came late." placeholder:"MIN"`
}

// Run notes the state.
func (c *AppointmentNote) Run(s *Session) error {
	a, err := s.appointment(c.Appointment)
	if err != nil {
		return err
	}
	state := map[string]vw.Appointment_State{
		"arrived": vw.Appointment_STATE_ARRIVED, "in-chair": vw.Appointment_STATE_IN_CHAIR, "left": vw.Appointment_STATE_LEFT,
		"did-not-attend": vw.Appointment_STATE_DID_NOT_ATTEND, "booked": vw.Appointment_STATE_BOOKED,
	}[c.State]
	now, err := s.Client.Diary.RecordAttendance(s.Context, &vw.RecordAttendanceRequest{Name: a.GetName(), Etag: a.GetEtag(), State: state, LateMinutes: c.Late})
	if err != nil {
		return err
	}
	return s.showAppointment(now)
}
