package chairtime

// addWide is addRows in wide registers; see rows_amd64.s. The slices behind the
// pointers must reach as far as those that addRows is given.
//
//go:noescape
func addWide(dst, a, b *float64, groups, cells, room int)

func hasAVX() bool

// wide is whether addWide may be used on this processor. The cells it computes
// have the same bits as those of addRows.
var wide = hasAVX()
