package reminder

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/visitwright/visitwright/scheduler/civil"
)

// Message is one message that a patient is owed.
type Message struct {
	// Occasion is the key: one message is kept for one occasion, however often
	// it is planned.
	Occasion string
	Kind     Kind
	// NotBefore is when it may leave, UselessAfter when it no longer helps: it
	// is then dropped, not sent late.
	NotBefore    time.Time
	UselessAfter time.Time
}

// Appointment is what reminders are planned from.
type Appointment struct {
	ID string
	// Sequence grows when the time changes, so that each new time is an
	// occasion of its own.
	Sequence int
	Start    time.Time
	BookedAt time.Time
}

// ForAppointment plans the reminders of a firm booking. A lead that had passed
// when the appointment was booked is left out: the confirmation has just said
// the same.
func (p Policy) ForAppointment(a Appointment, z *civil.Zone) []Message {
	day := z.Date(a.Start)
	var out []Message
	for _, l := range p.Leads {
		at := p.Leave(z.Resolve(civil.LocalTime{Date: day.AddDays(-l.Days), Time: l.At}), z)
		if !at.After(a.BookedAt) || !at.Before(a.Start) {
			continue
		}
		out = append(out, Message{
			Occasion:     fmt.Sprintf("%s/%s/%d/%dd", Upcoming, a.ID, a.Sequence, l.Days),
			Kind:         Upcoming,
			NotBefore:    at,
			UselessAfter: a.Start,
		})
	}
	return out
}

// AtOnce plans a message about an appointment that leaves as soon as it may: a
// confirmation, a changed time, a cancellation.
func (p Policy) AtOnce(kind Kind, a Appointment, now time.Time, z *civil.Zone) Message {
	at := now
	if kind.Routine() {
		at = p.Leave(now, z)
	}
	return Message{
		Occasion:     fmt.Sprintf("%s/%s/%d", kind, a.ID, a.Sequence),
		Kind:         kind,
		NotBefore:    at,
		UselessAfter: a.Start,
	}
}

// SequenceOf is the appointment's sequence in an occasion that AtOnce made; other
// occasions have none to read.
func SequenceOf(occasion string) int {
	n, err := strconv.Atoi(occasion[strings.LastIndexByte(occasion, '/')+1:])
	if err != nil {
		return -1
	}
	return n
}

// Due is a follow-up that a patient may be written to about.
type Due struct {
	Key                      string // the follow-up's own stable key
	Kind                     Kind
	Target, Latest           civil.Date
	Closed                   bool // closed, booked or done: nothing is owed
	HasSymptomsOrNeedsPerson bool // a person calls; no message replaces that
}

// ForFollowUp plans the messages of a follow-up: one for an overdue return or
// an open restoration, up to Attempts for a review.
func (p Policy) ForFollowUp(d Due, z *civil.Zone) []Message {
	if d.Closed || d.HasSymptomsOrNeedsPerson {
		return nil
	}
	first, attempts, gap := d.Target, 1, p.RepeatDays
	useless := d.Latest.AddDays(60)
	switch d.Kind {
	case ReviewInvitation:
		first, attempts = d.Target.AddDays(-p.InviteDays), Attempts
	case ReturnOverdue:
		// Written to the day after the latest day, and again once.
		first, attempts, gap = d.Latest.AddDays(1), 2, 3
	case RestorationOpen:
		attempts = 2
	}
	var out []Message
	for n := range attempts {
		day := first.AddDays(n * gap)
		out = append(out, Message{
			Occasion:     fmt.Sprintf("%s/%s/%d", d.Kind, d.Key, n+1),
			Kind:         d.Kind,
			NotBefore:    p.Leave(z.Resolve(civil.LocalTime{Date: day, Time: p.At}), z),
			UselessAfter: z.Resolve(civil.LocalTime{Date: useless, Time: p.At}),
		})
	}
	return out
}
