package anatomy

import (
	"bytes"
	"flag"
	"os"
	"testing"
)

var update = flag.Bool("update", false, "write golden files anew")

func TestEveryFigureIsShownWithItsStandingInTheGoldenTable(t *testing.T) {
	var got bytes.Buffer
	if err := Table(&got); err != nil {
		t.Fatal(err)
	}
	golden(t, "testdata/figures.golden", got.Bytes())
}

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	if *update {
		if err := os.WriteFile(name, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s differs; look at the change, then run go test -update", name)
	}
}
