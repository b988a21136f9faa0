package desk

import (
	"cmp"
	"slices"
	"strings"

	"golang.org/x/sync/errgroup"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// mostInList is the largest page that the services send.
const mostInList = 1000

// house is who and what can be booked: people, rooms and shared equipment, by
// the names that the practice gave them.
type house struct {
	Clinicians []*vw.Clinician
	Rooms      []*vw.Resource
	Nurses     []*vw.Resource
	Units      []*vw.Resource

	titles map[string]string
	byName map[string]*vw.Resource
}

// house reads everybody and everything of the practice.
func (q *ask) house() (*house, error) {
	var people []*vw.Clinician
	var things []*vw.Resource
	g := errgroup.Group{}
	g.Go(func() (err error) { people, err = q.clinicians(); return err })
	g.Go(func() (err error) { things, err = q.resources(); return err })
	if err := g.Wait(); err != nil {
		return nil, err
	}
	h := &house{titles: map[string]string{}, byName: map[string]*vw.Resource{}}
	for _, c := range people {
		h.titles[c.GetName()] = c.GetTitle()
		if c.GetActive() {
			h.Clinicians = append(h.Clinicians, c)
		}
	}
	for _, r := range things {
		h.titles[r.GetName()], h.byName[r.GetName()] = r.GetTitle(), r
		if !r.GetActive() {
			continue
		}
		switch r.GetKind() {
		case vw.Resource_KIND_ROOM:
			h.Rooms = append(h.Rooms, r)
		case vw.Resource_KIND_NURSE:
			h.Nurses = append(h.Nurses, r)
		case vw.Resource_KIND_EQUIPMENT:
			h.Units = append(h.Units, r)
		}
	}
	// As people look for them: Room 2 before Room 10.
	for _, list := range [][]*vw.Resource{h.Rooms, h.Nurses, h.Units} {
		slices.SortStableFunc(list, func(a, b *vw.Resource) int {
			return cmp.Or(cmp.Compare(len(a.GetTitle()), len(b.GetTitle())), strings.Compare(a.GetTitle(), b.GetTitle()))
		})
	}
	return h, nil
}

// Title is how the practice calls somebody or something.
func (h *house) Title(name string) string {
	if t := h.titles[name]; t != "" {
		return t
	}
	return lastPart(name)
}

// isClinician reports whether a resource name is a clinician's.
func isClinician(name string) bool { return strings.Contains(name, "/clinicians/") }

// clinicianOf, roomOf and nurseOf are who and what a place holds; "" for none.
func clinicianOf(p *vw.Place) string {
	for _, h := range p.GetHolds() {
		if isClinician(h.GetResource()) {
			return h.GetResource()
		}
	}
	return ""
}

func (h *house) held(p *vw.Place, kind vw.Resource_Kind) string {
	for _, hold := range p.GetHolds() {
		if r := h.byName[hold.GetResource()]; r != nil && r.GetKind() == kind {
			return hold.GetResource()
		}
	}
	return ""
}

func (h *house) roomOf(p *vw.Place) string { return h.held(p, vw.Resource_KIND_ROOM) }

// With says with whom and where, in the order in which a patient asks:
// clinician, room.
func (h *house) With(p *vw.Place) string {
	var parts []string
	for _, name := range []string{clinicianOf(p), h.roomOf(p)} {
		if name != "" {
			parts = append(parts, h.Title(name))
		}
	}
	return strings.Join(parts, ", ")
}

// clinicianOptions are the clinicians as choices of a field; the first choice
// leaves it open.
func (h *house) clinicianOptions(open string) []option {
	out := []option{{Value: "", Text: open}}
	for _, c := range h.Clinicians {
		out = append(out, option{Value: lastPart(c.GetName()), Text: c.GetTitle()})
	}
	return out
}

func resourceOptions(list []*vw.Resource, open string) []option {
	out := []option{{Value: "", Text: open}}
	for _, r := range list {
		out = append(out, option{Value: lastPart(r.GetName()), Text: r.GetTitle()})
	}
	return out
}
