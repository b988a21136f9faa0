package channel

import (
	"net"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"github.com/visitwright/visitwright/scheduler/channel/sinktest"
)

func relay(s *sinktest.Sink) SMTP {
	return SMTP{Host: s.Host, Port: s.Port, From: "desk@practice.example", Timeout: 5 * time.Second, TLS: s.TLS()}
}

func letter() Letter {
	return Letter{ID: "m-1", Kind: "upcoming", To: "patient@mail.example", Subject: "Reminder", Body: "Your appointment is on Monday at 09:00.\n"}
}

func TestALetterArrivesEncryptedWithItsStableID(t *testing.T) {
	s := sinktest.New(t)
	for range 2 {
		if err := relay(s).Send(t.Context(), letter()); err != nil {
			t.Fatal(err)
		}
	}
	got := s.State()
	if got.Wire != 2 || len(got.Mailbox) != 1 || !got.Encrypted {
		t.Errorf("%+v", got)
	}
	if body := got.Mailbox["<m-1@practice.example>"]; !strings.Contains(body, "Monday at 09:00") {
		t.Errorf("mailbox %v", got.Mailbox)
	}
}

func TestEachKindOfFailureIsToldApart(t *testing.T) {
	for name, row := range map[string]struct {
		set  sinktest.Behaviour
		want Outcome
	}{
		"the address does not exist":         {sinktest.Behaviour{Rcpt: &smtp.SMTPError{Code: 550, Message: "patient@mail.example unknown"}}, Permanent},
		"the mailbox is full for now":        {sinktest.Behaviour{Rcpt: &smtp.SMTPError{Code: 452, Message: "later"}}, Temporary},
		"the relay refuses the content":      {sinktest.Behaviour{Data: &smtp.SMTPError{Code: 554, Message: "no"}}, Permanent},
		"the relay is busy after the letter": {sinktest.Behaviour{Data: &smtp.SMTPError{Code: 451, Message: "later"}}, Temporary},
		"taken, then the line breaks":        {sinktest.Behaviour{HangUp: true}, Uncertain},
	} {
		t.Run(name, func(t *testing.T) {
			s := sinktest.New(t)
			s.Behave(row.set)
			err := relay(s).Send(t.Context(), letter())
			if err == nil || OutcomeOf(err) != row.want {
				t.Fatalf("%v, want %s", err, row.want)
			}
			if strings.Contains(err.Error(), "patient") || strings.Contains(err.Error(), "Monday") {
				t.Errorf("the error tells of the patient: %v", err)
			}
		})
	}
}

func TestARelayThatIsAwayIsTriedAgain(t *testing.T) {
	s := sinktest.New(t)
	r := relay(s)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r.Port = l.Addr().(*net.TCPAddr).Port
	_ = l.Close()
	if err := r.Send(t.Context(), letter()); OutcomeOf(err) != Temporary {
		t.Error(err)
	}
}

func TestMailDoesNotTravelInTheOpen(t *testing.T) {
	s := sinktest.New(t)
	untrusted := relay(s)
	untrusted.TLS = nil
	if err := untrusted.Send(t.Context(), letter()); err == nil {
		t.Error("an unknown certificate was accepted")
	}
	for _, host := range []string{"mail.example", "10.0.0.1"} {
		if err := (SMTP{Host: host, Port: 25, From: "a@b.example", Plain: true}).Validate(); err == nil {
			t.Errorf("%s: mail in the open was accepted", host)
		}
	}
}

func TestAnAddressThatIsNoneIsRefusedForGood(t *testing.T) {
	s := sinktest.New(t)
	for _, to := range []string{"", "nobody", "a@b\r\nBcc: c@d.example", "two@x.example, three@x.example"} {
		l := letter()
		l.To = to
		if err := relay(s).Send(t.Context(), l); OutcomeOf(err) != Permanent {
			t.Errorf("%q: %v", to, err)
		}
	}
	if got := s.State(); got.Wire != 0 {
		t.Errorf("%d letters left", got.Wire)
	}
}

func TestASubjectCannotStartAHeader(t *testing.T) {
	s := sinktest.New(t)
	l := letter()
	l.Subject = "Hello\r\nBcc: spy@x.example"
	if err := relay(s).Send(t.Context(), l); err != nil {
		return // refused is as good
	}
	for _, m := range s.State().Subjects {
		if strings.Contains(m, "\n") {
			t.Errorf("subject %q", m)
		}
	}
}
