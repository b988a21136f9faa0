package chairtime

// addEights adds groups of eight rows in wide registers, each to the cells of its
// span, and addFour one group of four; see rows_amd64.s. The slices behind the
// pointers must reach as far as those that Convolver.add gives to addFourRows.

//go:noescape
func addEights(dst, a, b *float64, spans *span, groups int)

//go:noescape
func addFour(dst, a, b *float64, cells int)

func hasAVX() bool

// wide is whether these may be used on this processor. The cells they compute have
// the same bits as those of addFourRows.
var wide = hasAVX()
