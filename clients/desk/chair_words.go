package desk

import (
	"fmt"
	"strings"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// Plain is minutes without the unit, where it stands above them once.
func (w *words) Plain(m float64) string { return fmt.Sprintf("%.0f", m) }

// ChairViews are the parts of a running visit, in the order of the row.
func (w *words) ChairViews() []string { return chairViews }

// CanalState is where a canal stands, in words.
func (w *words) CanalState(id string) string { return w.Enum("chair.state", shortened(id)) }

// Mm is a length, or nothing while it was not measured.
func (w *words) Mm(v float64) string { return millimetres(v) }

// File is the last file of a canal: "35/.04".
func (w *words) File(c *vw.ChairCanal) string {
	switch {
	case c.GetFileSize() == 0:
		return ""
	case c.GetFileTaper() == 0:
		return size(c.GetFileSize())
	}
	return fmt.Sprintf("%d/.%02.0f", c.GetFileSize(), c.GetFileTaper()*100)
}

// Patent says whether the apex is patent, once somebody looked.
func (w *words) Patent(c *vw.ChairCanal) string {
	switch {
	case c.Patent == nil:
		return ""
	case c.GetPatent():
		return w.T("chair.yes")
	}
	return w.T("chair.no")
}

// Minute is when something happened, counted from the beginning of the visit.
func (w *words) Minute(m float64) string { return w.T("chair.minute", fmt.Sprintf("%.0f", m)) }

// verdict is the first sentence of what can be said in the chair, and what
// stands against it.
type verdict struct{ Says, But string }

// Verdict parts a headline after its first sentence, so that the odds are read
// at a glance and the reservations, however many, in the weight of text.
func (w *words) Verdict(headline string) verdict {
	says, but, found := strings.Cut(headline, ". ")
	if !found {
		return verdict{Says: headline}
	}
	return verdict{Says: says + ".", But: but}
}
