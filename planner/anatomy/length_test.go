package anatomy

import (
	"math"
	"strings"
	"testing"

	"github.com/visitwright/visitwright/planner/tooth"
)

func TestAWorkingLengthIsJudgedByTheToothItWasMeasuredIn(t *testing.T) {
	for _, c := range []struct {
		kind tooth.Kind
		mm   float64
		want Verdict
	}{
		{tooth.MandibularFirstMolar, 20, Plausible},
		{tooth.MandibularFirstMolar, 16, Plausible},   // 18.0 least, 2 mm allowed for worn cusps
		{tooth.MandibularFirstMolar, 15.9, Unusual},   //
		{tooth.MandibularFirstMolar, 24.5, Plausible}, // 24.0 greatest and half a millimetre
		{tooth.MandibularFirstMolar, 24.6, Unusual},
		{tooth.MaxillaryCanine, 31, Plausible},
		{tooth.MandibularSecondMolar, 31, Unusual},
		{tooth.MaxillaryFirstPremolar, 15, Plausible}, // widened: the century-old figures are too narrow
		{tooth.MaxillaryFirstPremolar, 26.5, Plausible},
		{tooth.MaxillaryFirstPremolar, 26.6, Unusual},
		{tooth.MandibularFirstMolar, 9.9, Doubtful},
		{tooth.MandibularFirstMolar, 210, Doubtful}, // tenths of a millimetre typed by mistake
		{tooth.MandibularFirstMolar, 0, Doubtful},
		{tooth.MandibularFirstMolar, -20, Doubtful},
		{tooth.MandibularFirstMolar, math.NaN(), Doubtful},
		{tooth.MandibularFirstMolar, math.Inf(1), Doubtful},
	} {
		l, err := WorkingLength(c.kind)
		if err != nil {
			t.Fatal(err)
		}
		got, line := l.Judge(c.mm)
		if got != c.want || line.Text == "" || line.Mark.Validate() != nil {
			t.Errorf("%.1f mm in a %s is %s (%s), want %s", c.mm, c.kind.Words(), got, line.Text, c.want)
		}
	}
}

func TestTheUsualLengthLiesInsideItsBands(t *testing.T) {
	for _, k := range tooth.Kinds() {
		l, err := WorkingLength(k)
		if err != nil {
			t.Fatal(err)
		}
		if !(l.HardLow < l.SoftLow && l.SoftLow < l.Usual && l.Usual < l.ToothMean && l.Usual < l.SoftHigh && l.SoftHigh < l.HardHigh) {
			t.Errorf("%s: %+v", k, l)
		}
	}
	// the mean length of tooth less 1 mm, one published way to estimate
	if l, _ := WorkingLength(tooth.MandibularFirstMolar); !near(l.Usual, 20.0, 1e-9) {
		t.Errorf("lower first molar %.1f mm, want 20.0", l.Usual)
	}
}

func TestCanalsOfOneToothThatLieFarApartAreQuestioned(t *testing.T) {
	l, _ := WorkingLength(tooth.MandibularFirstMolar)
	if lines := l.JudgeTogether(map[string]float64{"MB": 20, "ML": 20.5, "D": 19}); len(lines) != 0 {
		t.Errorf("ordinary lengths are remarked on: %v", lines)
	}
	lines := l.JudgeTogether(map[string]float64{"MB": 20, "D": 16.5})
	if len(lines) != 1 || !strings.Contains(lines[0].Text, "D 16.5 mm and MB 20.0 mm") {
		t.Errorf("%v", lines)
	}
	canine, _ := WorkingLength(tooth.MaxillaryCanine)
	if lines := canine.JudgeTogether(map[string]float64{"main": 27}); len(lines) != 1 || !strings.Contains(lines[0].Text, "31 mm instruments") {
		t.Errorf("%v", lines)
	}
	if lines := l.JudgeTogether(nil); len(lines) != 0 {
		t.Errorf("%v", lines)
	}
}
