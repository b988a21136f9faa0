package civil

import (
	"archive/zip"
	"bytes"
	_ "embed"
	"fmt"
	"io"
	"strings"
	"sync"
	"time"
)

//go:embed zonedata/zones.zip
var embeddedZones []byte

// Database is one release of the IANA time zone database.
//
// time.LoadLocation looks at $ZONEINFO, then at the machine, then at what the
// toolchain brought, and tells nobody which of them answered; two servers may
// then disagree about an appointment. A Database is read from one archive that
// carries the name of its release.
type Database struct {
	version string
	files   map[string]*zip.File

	mu    sync.Mutex
	zones map[string]*Zone
}

var embedded = sync.OnceValues(func() (*Database, error) { return ParseDatabase(embeddedZones) })

// Embedded returns the release that is built into the program.
func Embedded() *Database {
	db, err := embedded()
	if err != nil {
		panic("the zone database built into this program cannot be read: " + err.Error())
	}
	return db
}

// ParseDatabase reads a release packed as zonedata/rebuild.sh packs it: a zip
// archive of compiled zone files and a file +VERSION that names the release. A
// practice whose government changed its clock at short notice can so be given a
// newer release than the program was built with.
func ParseDatabase(archive []byte) (*Database, error) {
	r, err := zip.NewReader(bytes.NewReader(archive), int64(len(archive)))
	if err != nil {
		return nil, fmt.Errorf("zone database: want a zip archive: %w", err)
	}
	db := &Database{files: make(map[string]*zip.File, len(r.File)), zones: map[string]*Zone{}}
	for _, f := range r.File {
		db.files[f.Name] = f
	}
	v, err := db.read("+VERSION")
	if err != nil {
		return nil, fmt.Errorf("zone database: no file +VERSION that names the release: %w", err)
	}
	db.version = strings.TrimSpace(string(v))
	if db.version == "" {
		return nil, fmt.Errorf("zone database: +VERSION is empty: want the name of the release, for example 2026f")
	}
	delete(db.files, "+VERSION")
	return db, nil
}

// Version returns the name of the release, for example "2026f". It is kept
// beside every local time that was turned into an instant with it.
func (db *Database) Version() string { return db.version }

// largestZoneFile bounds what is read from an archive that somebody hands in.
const largestZoneFile = 1 << 20

func (db *Database) read(name string) ([]byte, error) {
	f, ok := db.files[name]
	if !ok {
		return nil, fmt.Errorf("no such file")
	}
	rc, err := f.Open()
	if err != nil {
		return nil, err
	}
	defer rc.Close()
	return io.ReadAll(io.LimitReader(rc, largestZoneFile))
}

// Zone returns the zone with an IANA name such as "Europe/London". Offsets,
// abbreviations and "Local" are no zones: they do not know when clocks change.
func (db *Database) Zone(name string) (*Zone, error) {
	db.mu.Lock()
	defer db.mu.Unlock()
	if z, ok := db.zones[name]; ok {
		return z, nil
	}
	b, err := db.read(name)
	if err != nil {
		return nil, fmt.Errorf("zone %q: want a name of the IANA time zone database %s, for example Europe/London", name, db.version)
	}
	loc, err := time.LoadLocationFromTZData(name, b)
	if err != nil {
		return nil, fmt.Errorf("zone %q: its file in the zone database %s cannot be read", name, db.version)
	}
	z := &Zone{name: name, loc: loc, version: db.version}
	db.zones[name] = z
	return z, nil
}
