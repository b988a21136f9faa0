package scheduler

import (
	"context"
	"errors"
	"hash/fnv"
	netmail "net/mail"
	"strings"
	"time"

	"github.com/visitwright/visitwright/scheduler/channel"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/reminder"
	"github.com/visitwright/visitwright/store"
)

const (
	// sendLease is how long a worker has a message: longer than any channel's
	// own timeout.
	sendLease = 2 * time.Minute
	// mostAttempts is how often a letter is tried before people see to it.
	mostAttempts = 8
	// unfitWording is the problem of a message whose template does not fill in.
	unfitWording = "the practice's wording cannot be filled in"
	// uncertainAttempts is how often a letter that may have arrived is sent
	// again, with the same id.
	uncertainAttempts = 2
)

// Channels carries letters: "email" and "text". What is missing is left to the
// practice's telephone.
type Channels map[string]channel.Channel

// Moment of a letter's way out, for tests that stop a worker there.
type Moment string

// The moments at which a worker may die.
const (
	AfterClaim   Moment = "after the claim"
	BeforeData   Moment = "before the letter leaves"
	AfterTaken   Moment = "after the other side took it"
	BeforeCommit Moment = "before it is kept as sent"
)

// Sender sends what is due. Any number of them, in any number of processes,
// work on one outbox.
type Sender struct {
	FollowUps *FollowUps
	Channels  Channels
	Worker    string // names this process in the outbox
	// Dies, when it returns an error, stops the worker as if its process had
	// died at that moment. For tests; nil never does.
	Dies func(Moment) error
}

func (s *Sender) dies(at Moment) error {
	if s.Dies == nil {
		return nil
	}
	return s.Dies(at)
}

// Send claims and sends at most limit messages and returns how many it took.
// A message that cannot be sent holds up no other; an error means that the
// store failed or the worker stopped.
func (s *Sender) Send(ctx context.Context, limit int) (int, error) {
	list, err := s.FollowUps.store.ClaimMessages(ctx, s.Worker, limit, sendLease)
	if err != nil {
		return 0, err
	}
	if err := s.dies(AfterClaim); err != nil && len(list) > 0 {
		return 0, err
	}
	practices := map[string]surroundings{}
	for _, m := range list {
		at, ok := practices[m.Practice]
		if !ok {
			if at, err = s.FollowUps.surroundings(ctx, m.Practice); err != nil {
				return 0, err
			}
			practices[m.Practice] = at
		}
		if err := s.one(ctx, m, at); err != nil && !errors.Is(err, store.ErrWrongState) {
			return 0, err
		}
	}
	return len(list), nil
}

func (s *Sender) one(ctx context.Context, m store.Message, at surroundings) error {
	var letter channel.Letter
	v, err := s.FollowUps.store.BeginSending(ctx, m, func(st store.Standing) (store.Verdict, error) {
		v := at.verdict(m, st, func(id string) bool { return s.Channels[id] != nil })
		if v.To != store.MessageSending {
			return v, nil
		}
		var unfit error
		if letter, unfit = at.letter(m, st, v.Channel); unfit != nil {
			// People see it in the list of failures; the other letters go on.
			v = store.Verdict{To: store.MessageFailed, Problem: unfitWording}
		}
		return v, nil
	})
	if err != nil || v.To != store.MessageSending {
		return err
	}
	if err := s.dies(BeforeData); err != nil {
		return err
	}
	sent := s.Channels[v.Channel].Send(ctx, letter)
	if err := s.dies(AfterTaken); err != nil && sent == nil {
		return err
	}
	after := outcome(m, v.Channel, sent, s.FollowUps.diary.now())
	if err := s.dies(BeforeCommit); err != nil {
		return err
	}
	// The letter has left: its record must not be lost to a caller that stops now.
	keep, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
	defer cancel()
	return s.FollowUps.store.EndSending(keep, m, after)
}

// outcome says what becomes of a message after an attempt.
func outcome(m store.Message, channelID string, err error, now time.Time) store.Verdict {
	v := store.Verdict{To: store.MessageSent, Channel: channelID}
	if err == nil {
		return v
	}
	v.Problem = "the channel gave no reason"
	if f := (*channel.Failure)(nil); errors.As(err, &f) {
		v.Problem = f.Error()
	}
	switch kind := channel.OutcomeOf(err); {
	case kind == channel.Permanent:
		v.To = store.MessageFailed
	case kind == channel.Uncertain && m.Attempt >= uncertainAttempts:
		v.To = store.MessageUncertain
	case m.Attempt >= mostAttempts:
		v.To = store.MessageFailed
	default:
		v.To, v.NotBefore = store.MessageWaiting, now.Add(backoff(m))
		if v.NotBefore.After(m.UselessAt) {
			v.To = store.MessageFailed
		}
	}
	return v
}

// backoff grows with the fourth power of the attempt, from a minute on, and
// differs by a tenth from message to message.
func backoff(m store.Message) time.Duration {
	n := m.Attempt
	d := time.Minute + time.Duration(n*n*n*n)*time.Second
	h := fnv.New32a()
	_, _ = h.Write([]byte(m.ID)) // never fails
	return d + d/10*time.Duration(int64(h.Sum32()%200)-100)/100
}

// verdict decides, just before a letter leaves, whether it still may. carries
// says by which ways letters can leave.
func (s surroundings) verdict(m store.Message, st store.Standing, carries func(channel string) bool) store.Verdict {
	kind := reminder.Kind(m.Kind)
	gone := func(why string) store.Verdict { return store.Verdict{To: store.MessageCancelled, Problem: why} }
	switch {
	case !s.messages.Enabled:
		return gone("the practice sends no messages")
	case st.Wishes.OptedOut:
		return gone("the patient wants no messages")
	case st.Died:
		return gone("the case has ended")
	case !st.Now.Before(m.UselessAt):
		return gone("its time has passed")
	case m.CaseID != "" && st.CaseClosed:
		return gone("the case has ended")
	case m.CaseID != "" && (st.FollowState == "" || st.FollowState == "booked"):
		return gone("what it asked for was done, booked or ended")
	}
	if a := st.Appointment; a != nil {
		want := store.StateBooked
		if kind == reminder.Cancelled {
			want = store.StateCancelled
		}
		if a.State != want || !a.Start.Equal(m.Start) {
			return gone("the appointment was moved or will not take place")
		}
	}
	if m.Attempt > mostAttempts {
		return store.Verdict{To: store.MessageFailed, Problem: "tried as often as is right"}
	}
	id := st.Wishes.Channel
	if !st.Agreed || !carries(id) || addressOf(st.Patient, id) == "" {
		if m.CaseID != "" {
			return store.Verdict{To: store.MessageCall, Problem: "no agreed way to write: the practice calls"}
		}
		return gone("no agreed way to write")
	}
	v := store.Verdict{To: store.MessageSending, Channel: id, Lease: sendLease}
	if !m.Routine {
		return v
	}
	if leave := s.messages.Policy.Leave(st.Now, s.zone); leave.After(st.Now) {
		return store.Verdict{To: store.MessageWaiting, NotBefore: leave, Problem: "quiet hours"}
	}
	v.RoutineDay = s.zone.Date(st.Now).String()
	return v
}

// addressOf is where a channel reaches the patient, or who speaks for them.
func addressOf(p store.Patient, channelID string) string {
	address, phone := p.Contact.Address, p.Contact.Phone
	if g := p.Contact.Guardian; g != nil {
		if g.Address != "" {
			address = g.Address
		}
		if g.Phone != "" {
			phone = g.Phone
		}
	}
	switch {
	case channelID == "email" && isMail(address):
		return address
	case channelID == "text":
		return phone
	}
	return ""
}

// isMail reports whether a text is one e-mail address and nothing beside it.
func isMail(text string) bool {
	a, err := netmail.ParseAddress(text)
	return err == nil && a.Address == strings.TrimSpace(text)
}

// letter fills in the wording.
func (s surroundings) letter(m store.Message, st store.Standing, channelID string) (channel.Letter, error) {
	t, ok := s.messages.template(reminder.Kind(m.Kind), st.Wishes.Language)
	if !ok {
		return channel.Letter{}, errors.New("no wording")
	}
	values := map[string]string{"practice": s.practice.Name, "phone": s.messages.Phone, "reference": st.Patient.Reference}
	if !m.Start.IsZero() {
		local := s.zone.Local(m.Start)
		values["day"], values["time"] = dayWords(local.Date), local.Time.String()
	} else if target, err := civil.ParseDate(st.Target); err == nil {
		values["day"] = dayWords(target)
	}
	subject, body, err := t.Render(values)
	return channel.Letter{ID: m.ID, Kind: m.Kind, To: addressOf(st.Patient, channelID), Subject: subject, Body: body}, err
}
