package chairtime

import "math"

func normalCDF(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

// normalQuantile is the inverse of normalCDF, 0 < q < 1.
func normalQuantile(q float64) float64 { return -math.Sqrt2 * math.Erfcinv(2*q) }

// A lognormal step needs the normal distribution function at hundreds of cells, so
// it is read off a table: from the nearest multiple of 1/32 five terms of Taylor's
// series lead to z, with an error below 1e-12.
const (
	normalCells = 32 // a unit
	normalReach = 9  // beyond, the function is 0 or 1
)

var normalTable = func() (t [2*normalReach*normalCells + 1][2]float64) {
	for i := range t {
		z := float64(i)/normalCells - normalReach
		t[i] = [2]float64{normalCDF(z), math.Exp(-z*z/2) / math.Sqrt(2*math.Pi)}
	}
	return t
}()

// fastCDF is normalCDF from the table.
func fastCDF(z float64) float64 {
	if !(z > -normalReach) {
		return 0
	}
	if z >= normalReach {
		return 1
	}
	i := int((z+normalReach)*normalCells + 0.5)
	at := &normalTable[i]
	z0 := float64(i)/normalCells - normalReach
	d := z - z0
	zz := z0 * z0
	// The derivatives of the density are Hermite polynomials times it.
	return at[0] + at[1]*d*(1+d*(-z0/2+d*((zz-1)/6+d*(z0*(3-zz)/24+d*((zz-6)*zz+3)/120))))
}

// logs are the natural logarithms of whole numbers.
var logs = func() (t [1 << 12]float64) {
	for i := range t {
		t[i] = math.Log(float64(i))
	}
	return t
}()

func logOf(k int) float64 {
	if k < len(logs) {
		return logs[k]
	}
	return math.Log(float64(k))
}
