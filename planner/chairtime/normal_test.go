package chairtime

import (
	"math"
	"testing"
)

func TestTheTableOfTheNormalDistributionIsExactToTwelveDigits(t *testing.T) {
	for z := -10.0; z <= 10; z += 0.00137 {
		if got, want := fastCDF(z), normalCDF(z); math.Abs(got-want) > 1e-12 {
			t.Fatalf("at %v: %v, want %v", z, got, want)
		}
	}
	if !(fastCDF(math.Inf(-1)) == 0 && fastCDF(math.Inf(1)) == 1) {
		t.Error("the ends are not 0 and 1")
	}
}
