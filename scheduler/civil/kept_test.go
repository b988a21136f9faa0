package civil_test

import (
	"archive/zip"
	"bytes"
	"errors"
	"io"
	"os"
	"testing"
	"time"

	"github.com/visitwright/visitwright/scheduler/civil"
)

// release packs another "release" of the database in which zone says what
// stand-in says today: a country changed its mind.
func release(t *testing.T, version, zoneName, standIn string) *civil.Database {
	t.Helper()
	archive, err := os.ReadFile("zonedata/zones.zip")
	if err != nil {
		t.Fatal(err)
	}
	r, err := zip.NewReader(bytes.NewReader(archive), int64(len(archive)))
	if err != nil {
		t.Fatal(err)
	}
	f, err := r.Open(standIn)
	if err != nil {
		t.Fatal(err)
	}
	body, err := io.ReadAll(f)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	w := zip.NewWriter(&out)
	for name, b := range map[string][]byte{"+VERSION": []byte(version + "\n"), zoneName: body} {
		e, err := w.Create(name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := e.Write(b); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	db, err := civil.ParseDatabase(out.Bytes())
	if err != nil {
		t.Fatal(err)
	}
	return db
}

func keep(t *testing.T, zoneName, local string) civil.KeptTime {
	t.Helper()
	k, err := zone(t, zoneName).Keep(civil.MustLocalTime(local))
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func TestWhenACountryGivesUpClockChangesTheAppointmentStaysAtItsLocalTime(t *testing.T) {
	kept := keep(t, "America/New_York", "2027-07-01T09:00")
	if kept.Version != "2026f" || !kept.UTC.Equal(instant(t, "2027-07-01T13:00:00Z")) {
		t.Fatalf("%+v", kept)
	}
	// Panama keeps New York's winter time all year.
	got, err := civil.Recompute(kept, release(t, "2099a", "America/New_York", "America/Panama"), instant(t, "2026-11-24T00:00:00Z"))
	if err != nil {
		t.Fatal(err)
	}
	if got.Kept.Local != kept.Local || got.Kept.Version != "2099a" || got.Moved != time.Hour || got.Unclear != nil ||
		!got.Kept.UTC.Equal(instant(t, "2027-07-01T14:00:00Z")) {
		t.Errorf("%+v", got)
	}
	winter, err := civil.Recompute(keep(t, "America/New_York", "2027-01-15T09:00"), release(t, "2099a", "America/New_York", "America/Panama"), instant(t, "2026-11-24T00:00:00Z"))
	if err != nil || winter.Moved != 0 || winter.Kept.Version != "2099a" {
		t.Errorf("a winter appointment does not move: %+v %v", winter, err)
	}
}

func TestAnAppointmentThatHasBeenIsHistoryAndIsNotMoved(t *testing.T) {
	kept := keep(t, "America/New_York", "2027-07-01T09:00")
	got, err := civil.Recompute(kept, release(t, "2099a", "America/New_York", "America/Panama"), instant(t, "2027-07-01T13:00:00Z"))
	if err != nil || got.Kept != kept || got.Moved != 0 {
		t.Errorf("%+v %v", got, err)
	}
	same, err := civil.Recompute(kept, civil.Embedded(), instant(t, "2026-11-24T00:00:00Z"))
	if err != nil || same.Kept != kept {
		t.Errorf("the same release changes nothing: %+v %v", same, err)
	}
}

func TestAPersonIsAskedWhenTheNewReleaseSkipsOrRepeatsTheLocalTime(t *testing.T) {
	// Panama has no clock change; with New York's rules 02:30 is skipped on
	// 14 March 2027 and 01:30 happens twice on 7 November.
	db := release(t, "2099a", "America/Panama", "America/New_York")
	now := instant(t, "2026-11-24T00:00:00Z")
	gap, err := civil.Recompute(keep(t, "America/Panama", "2027-03-14T02:30"), db, now)
	if err != nil || !errors.Is(gap.Unclear, civil.ErrGap) || gap.Kept.Local != civil.MustLocalTime("2027-03-14T03:30") {
		t.Errorf("skipped: %+v %v", gap, err)
	}
	twice, err := civil.Recompute(keep(t, "America/Panama", "2027-11-07T01:30"), db, now)
	if err != nil || !errors.Is(twice.Unclear, civil.ErrOverlap) {
		t.Errorf("repeated: %+v %v", twice, err)
	}
	// 01:30 in Panama is 06:30Z: that is New York's second 01:30, so the
	// instant stands.
	if twice.Moved != 0 {
		t.Errorf("the nearest meaning is the old instant itself: moved %s", twice.Moved)
	}
}

func TestATimeTakenInFromElsewhereIsKeptAsTheWallReallyShowsIt(t *testing.T) {
	k := zone(t, "Europe/London").KeepResolved(civil.MustLocalTime("2026-03-29T01:30"))
	if k.Local != civil.MustLocalTime("2026-03-29T02:30") || !k.UTC.Equal(instant(t, "2026-03-29T01:30:00Z")) || k.Zone != "Europe/London" || k.Version != "2026f" {
		t.Errorf("%+v", k)
	}
}
