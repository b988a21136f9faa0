package desk

import (
	"fmt"
	"regexp"
	"strconv"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// nextReference proposes the reference of a new patient; empty where the
// practice has more patients than are read at once, or counts in no way that
// can be told.
func (q *ask) nextReference() (string, error) {
	got, err := q.planner().ListPatients(q, &vw.ListPatientsRequest{Parent: q.practice, PageSize: mostInList})
	if err != nil || got.GetNextPageToken() != "" {
		return "", err
	}
	var references []string
	for _, p := range got.GetPatients() {
		references = append(references, p.GetReference())
	}
	return referenceAfter(references), nil
}

// counted is a reference that ends in a number.
var counted = regexp.MustCompile(`^(.*?)([0-9]{1,9})$`)

// referenceAfter counts on from the greatest reference of the most usual
// beginning, with as many digits.
func referenceAfter(references []string) string {
	type series struct{ size, greatest, digits int }
	all := map[string]*series{}
	best := ""
	for _, r := range references {
		parts := counted.FindStringSubmatch(r)
		if parts == nil {
			continue
		}
		n, _ := strconv.Atoi(parts[2]) // at most nine digits
		s := all[parts[1]]
		if s == nil {
			s = &series{}
			all[parts[1]] = s
		}
		s.size++
		if n >= s.greatest {
			s.greatest, s.digits = n, len(parts[2])
		}
		if b := all[best]; b == nil || s.size > b.size || s.size == b.size && parts[1] < best {
			best = parts[1]
		}
	}
	if all[best] == nil {
		return ""
	}
	return fmt.Sprintf("%s%0*d", best, all[best].digits, all[best].greatest+1)
}
