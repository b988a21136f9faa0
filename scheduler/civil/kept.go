package civil

import "time"

// KeptTime is how an appointment's time is kept: what the wall will show, in
// which zone, the instant that this meant, and the release of the zone database
// that said so.
type KeptTime struct {
	Local   LocalTime `json:"local"`
	Zone    string    `json:"zone"`
	Version string    `json:"zone_version"`
	UTC     time.Time `json:"utc"`
}

// Keep resolves a start that we book ourselves: see Zone.Strict.
func (z *Zone) Keep(l LocalTime) (KeptTime, error) {
	u, err := z.Strict(l)
	if err != nil {
		return KeptTime{}, err
	}
	return KeptTime{l, z.name, z.version, u}, nil
}

// KeepResolved resolves a start that another system sent: see Zone.Resolve. The
// local time kept is the one the wall really shows.
func (z *Zone) KeepResolved(l LocalTime) KeptTime {
	u := z.Resolve(l)
	return KeptTime{z.Local(u), z.name, z.version, u}
}

// Recomputed is what a new release of the zone database does to a kept time.
type Recomputed struct {
	Kept  KeptTime      // as it should be kept from now on
	Moved time.Duration // by how much the instant moved; the wall shows the same
	// Unclear is set when the wall no longer shows the local time, or now shows
	// it twice: somebody must ask the patient.
	Unclear error
}

// Recompute applies the rule for a new release of the zone database: an
// appointment is a promise in local time. The local time stays and its instant
// is computed anew, whatever the two releases are called; an instant that has
// passed is history and is left as it was. When the local time has become
// ambiguous, the meaning nearest to the old instant is taken and Unclear is set.
func Recompute(kept KeptTime, db *Database, now time.Time) (Recomputed, error) {
	if kept.Version == db.Version() || !kept.UTC.After(now) {
		return Recomputed{Kept: kept}, nil
	}
	z, err := db.Zone(kept.Zone)
	if err != nil {
		return Recomputed{}, err
	}
	out := Recomputed{Kept: kept}
	at, _, _ := z.meanings(kept.Local)
	u := z.Resolve(kept.Local)
	for _, m := range at {
		if t := time.Unix(m, 0).UTC(); kept.UTC.Sub(t).Abs() < kept.UTC.Sub(u).Abs() {
			u = t
		}
	}
	if len(at) != 1 {
		_, out.Unclear = z.Strict(kept.Local)
	}
	out.Moved = u.Sub(kept.UTC)
	out.Kept.UTC, out.Kept.Local, out.Kept.Version = u, z.Local(u), z.version
	return out, nil
}
