package cli

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"

	"google.golang.org/protobuf/encoding/protojson"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// TakeInCommand takes another system's appointments in.
type TakeInCommand struct {
	File  string `arg:"" help:"A file with one appointment a line, in JSON, or - for the standard input."`
	First int    `help:"Go on from this line, after a connection that was lost." default:"1" placeholder:"N"`
}

// takeInBatch is how many appointments go into one message; the contract takes
// at most 500.
const takeInBatch = 500

// maxTakeInLine is the longest line that is read, in bytes.
const maxTakeInLine = 64 << 10

// Run sends the appointments and counts what became of them. What is refused
// is named by its line; the rest is taken in all the same.
func (c *TakeInCommand) Run(s *Session) error {
	in := io.Reader(os.Stdin)
	if c.File != "-" {
		f, err := os.Open(c.File)
		if err != nil {
			return usage("%v", err)
		}
		defer func() { _ = f.Close() }() // read only
		in = f
	}
	stream, err := s.Client.Diary.TakeInAppointments(s.Context)
	if err != nil {
		return err
	}
	counts := map[vw.TakenIn_Outcome]int{}
	conflicts, refused := 0, 0
	page := NewPage(s.Out)
	// send sends one message and reads its answer before the next: what has
	// been answered is kept, and a broken stream goes on after it.
	send := func(batch []*vw.ExternalAppointment, firstLine int) error {
		if len(batch) == 0 {
			return nil
		}
		if err := stream.Send(&vw.TakeInAppointmentsRequest{Parent: s.parent(), Appointments: batch, Sequence: int64(firstLine)}); err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		reply, err := stream.Recv()
		if err != nil {
			return fmt.Errorf("the lines before %d are kept; go on with --first %d: %w", firstLine, firstLine, err)
		}
		for i, item := range reply.GetItems() {
			counts[item.GetOutcome()]++
			if len(item.GetConflicts()) > 0 {
				conflicts++
			}
			if e := item.GetError(); e != nil {
				refused++
				page.Item("line %d: %s: %s: want %s", firstLine+i, e.GetReason(), e.GetField(), e.GetText())
			}
		}
		return nil
	}
	lines := bufio.NewScanner(in)
	lines.Buffer(nil, maxTakeInLine)
	var batch []*vw.ExternalAppointment
	line, first := 0, 0
	for lines.Scan() {
		line++
		if line < c.First || len(bytes.TrimSpace(lines.Bytes())) == 0 {
			continue
		}
		a := &vw.ExternalAppointment{}
		if err := protojson.Unmarshal(lines.Bytes(), a); err != nil {
			return usage("line %d: %v", line, err)
		}
		if len(batch) == 0 {
			first = line
		}
		if batch = append(batch, a); len(batch) == takeInBatch {
			if err := send(batch, first); err != nil {
				return err
			}
			batch = nil
		}
	}
	if err := lines.Err(); err != nil {
		return usage("after line %d: %v", line, err)
	}
	if err := send(batch, first); err != nil {
		return err
	}
	if err := stream.CloseSend(); err != nil {
		return err
	}
	page.Text("%d new, %d changed, %d as they were, %d cancelled, %d refused; %d stand in conflict.",
		counts[vw.TakenIn_OUTCOME_CREATED], counts[vw.TakenIn_OUTCOME_CHANGED], counts[vw.TakenIn_OUTCOME_UNCHANGED],
		counts[vw.TakenIn_OUTCOME_CANCELLED], counts[vw.TakenIn_OUTCOME_REFUSED], conflicts)
	if err := page.Close(); err != nil {
		return err
	}
	if refused > 0 {
		return fmt.Errorf("%s refused", plural(refused, "appointment was", "appointments were"))
	}
	return nil
}
