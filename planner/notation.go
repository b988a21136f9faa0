package planner

import (
	"context"
	"sync"
	"time"

	"github.com/visitwright/visitwright/planner/tooth"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// notationKept bounds for how long another replica's change of the notation
// may go unseen. It concerns how a tooth is shown, never which one it is.
const notationKept = 5 * time.Second

// notations remembers how each practice writes a tooth, so that reading a case
// does not read the practice too.
type notations struct {
	mu   sync.Mutex
	kept map[string]keptNotation
}

type keptNotation struct {
	system tooth.System
	until  time.Time
}

// of returns how the caller's practice writes a tooth.
func (n *notations) of(ctx context.Context, s *Service, caller Caller) (tooth.System, error) {
	now := s.now()
	n.mu.Lock()
	known, ok := n.kept[caller.Practice]
	n.mu.Unlock()
	if ok && now.Before(known.until) {
		return known.system, nil
	}
	p, err := s.store.GetPractice(ctx, caller.Reading())
	if err != nil {
		return tooth.ISO, err
	}
	n.learn(p, now)
	return notationOf(p), nil
}

// learn keeps the notation of a practice that was just read or written.
func (n *notations) learn(p store.Practice, now time.Time) {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.kept == nil {
		n.kept = map[string]keptNotation{}
	}
	n.kept[p.ID] = keptNotation{notationOf(p), now.Add(notationKept)}
}

func notationOf(p store.Practice) tooth.System {
	switch p.Notation {
	case "universal":
		return tooth.Universal
	case "quadrant":
		return tooth.Quadrant
	}
	return tooth.ISO
}

var notationToProto = map[string]vw.ToothNotation{
	"iso":       vw.ToothNotation_TOOTH_NOTATION_ISO,
	"universal": vw.ToothNotation_TOOTH_NOTATION_UNIVERSAL,
	"quadrant":  vw.ToothNotation_TOOTH_NOTATION_QUADRANT,
}

func notationFromProto(n vw.ToothNotation) string {
	for name, is := range notationToProto {
		if is == n {
			return name
		}
	}
	return "iso"
}
