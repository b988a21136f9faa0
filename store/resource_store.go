package store

import (
	"context"
	"time"
)

const resourceColumns = `kind, id, name, class, rooms, preparation, clean_up, active, external_ids, document, row_version, create_us, update_us`

var (
	stmtResourceGet  = reads("resource get", `SELECT `+resourceColumns+` FROM resources WHERE practice_id = ?1 AND ref = ?2`)
	stmtResourceList = reads("resource list", `SELECT `+resourceColumns+` FROM resources WHERE practice_id = ?1 AND kind <> 'clinician' ORDER BY kind, name, id`)
	stmtResourcePut  = writes("resource put", `
		INSERT INTO resources (practice_id, ref, `+resourceColumns+`) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, 1, ?13, ?13)`)
	stmtResourceUpdate = writes("resource update", `
		UPDATE resources SET name = ?4, class = ?5, rooms = ?6, preparation = ?7, clean_up = ?8, active = ?9, external_ids = ?10,
			document = ?11, row_version = row_version + 1, update_us = ?12
		WHERE practice_id = ?1 AND ref = ?2 AND row_version = ?3`)
	// Clinicians are resources of the diary too; their own record leads.
	stmtResourceClinician = writes("resource clinician", `
		INSERT INTO resources (practice_id, ref, kind, id, name, class, rooms, preparation, clean_up, active, external_ids, document, row_version, create_us, update_us)
		VALUES (?1, 'clinician/' || ?2, 'clinician', ?2, ?3, '', '[]', 0, 0, ?4, '[]', ?5, 1, ?6, ?6)
		ON CONFLICT (practice_id, ref) DO UPDATE SET name = excluded.name, active = excluded.active, update_us = excluded.update_us`)
)

// ref is a resource's name in the tables of the diary.
func (r ResourceRef) ref() string {
	if r.Kind == "" && r.ID == "" {
		return ""
	}
	return string(r.Kind) + "/" + r.ID
}

// bookable reports whether r names something that a span may hold by request.
func (r ResourceRef) bookable() bool {
	switch r.Kind {
	case KindRoom, KindClinician, KindNurse, KindEquipment:
		return validID(r.ID)
	}
	return false
}

type resourceRow struct {
	Kind        string `db:"kind"`
	ID          string `db:"id"`
	Name        string `db:"name"`
	Class       string `db:"class"`
	Rooms       string `db:"rooms"`
	Preparation int    `db:"preparation"`
	CleanUp     int    `db:"clean_up"`
	Active      bool   `db:"active"`
	ExternalIDs string `db:"external_ids"`
	Document    []byte `db:"document"`
	RowVersion  int64  `db:"row_version"`
	CreateUS    int64  `db:"create_us"`
	UpdateUS    int64  `db:"update_us"`
}

func (r resourceRow) record() Resource {
	return Resource{ResourceRef: ResourceRef{ResourceKind(r.Kind), r.ID}, Name: r.Name, Class: r.Class, Rooms: fromJSON[[]string](r.Rooms),
		PreparationMinutes: r.Preparation, CleanUpMinutes: r.CleanUp, Active: r.Active, ExternalIDs: fromJSON[[]ExternalID](r.ExternalIDs),
		Document: r.Document, Etag: etag(r.RowVersion), CreateTime: fromUS(r.CreateUS), UpdateTime: fromUS(r.UpdateUS)}
}

func checkResource(r Resource) error {
	switch {
	case r.Kind != KindRoom && r.Kind != KindNurse && r.Kind != KindEquipment:
		return invalid("kind", "room, nurse or equipment")
	case r.Name == "" || len(r.Name) > 200:
		return invalid("name", "1 to 200 bytes")
	case len(r.Class) > 64 || (r.Class == "") == (r.Kind == KindEquipment):
		return invalid("class", "a catalogue id of at most 64 bytes, for equipment only")
	case r.Kind != KindEquipment && len(r.Rooms) > 0:
		return invalid("rooms", "only equipment names the rooms that it serves")
	case r.PreparationMinutes < 0 || r.PreparationMinutes > 120:
		return invalid("preparation_minutes", "0 to 120")
	case r.CleanUpMinutes < 0 || r.CleanUpMinutes > 120:
		return invalid("clean_up_minutes", "0 to 120")
	case r.Kind != KindRoom && r.PreparationMinutes+r.CleanUpMinutes > 0:
		return invalid("preparation_minutes", "0: only rooms are prepared and cleaned")
	case len(r.Document) > MaxDocument:
		return invalid("document", "at most 1 MiB")
	}
	return checkExternalIDs(r.ExternalIDs)
}

// PutResource creates (ID empty) or replaces a room, a nurse or a unit.
func (s *Store) PutResource(ctx context.Context, call Call, r Resource) (Resource, error) {
	if err := checkResource(r); err != nil {
		return Resource{}, err
	}
	if r.Document == nil {
		r.Document = []byte{}
	}
	return write(ctx, s, call, func(t *tx) (Resource, error) {
		for _, room := range r.Rooms {
			if _, err := t.findResource(ctx, ResourceRef{KindRoom, room}); err != nil {
				return Resource{}, err
			}
		}
		out := r
		var before []ExternalID
		version := int64(1)
		if r.ID == "" {
			out.ID, out.CreateTime = newID(t.now), t.now
			if _, err := t.exec(ctx, stmtResourcePut, call.Practice, out.ref(), string(r.Kind), out.ID, r.Name, r.Class, jsonText(r.Rooms),
				r.PreparationMinutes, r.CleanUpMinutes, r.Active, jsonText(r.ExternalIDs), r.Document, us(t.now)); err != nil {
				return Resource{}, err
			}
		} else {
			row, err := t.findResource(ctx, r.ResourceRef)
			if err != nil {
				return Resource{}, err
			}
			n := int64(0)
			if r.Etag == etag(row.RowVersion) {
				n, err = t.exec(ctx, stmtResourceUpdate, call.Practice, r.ref(), row.RowVersion, r.Name, r.Class, jsonText(r.Rooms),
					r.PreparationMinutes, r.CleanUpMinutes, r.Active, jsonText(r.ExternalIDs), r.Document, us(t.now))
			}
			if err != nil {
				return Resource{}, err
			}
			if n == 0 {
				return Resource{}, stale(resourceName(r.ResourceRef))
			}
			before, version, out.CreateTime = fromJSON[[]ExternalID](row.ExternalIDs), row.RowVersion+1, fromUS(row.CreateUS)
		}
		if err := t.putExternalIDs(ctx, externalResource, out.ref(), before, r.ExternalIDs); err != nil {
			return Resource{}, err
		}
		out.Etag, out.UpdateTime = etag(version), t.now
		name := resourceName(out.ResourceRef)
		t.about(name, "name", "class", "rooms", "preparation_minutes", "clean_up_minutes", "active", "external_ids", "document")
		if err := t.setupChanged(ctx); err != nil {
			return Resource{}, err
		}
		t.changed("setup.changed", name, out.Etag)
		return out, nil
	})
}

// resourceName is a resource's name in audit trail and change log.
func resourceName(r ResourceRef) string {
	switch r.Kind {
	case KindEquipment:
		return "equipment/" + r.ID
	case "":
		return "practice"
	}
	return string(r.Kind) + "s/" + r.ID
}

func (t *tx) findResource(ctx context.Context, r ResourceRef) (row resourceRow, err error) {
	err = t.get(ctx, &row, stmtResourceGet, t.call.Practice, r.ref())
	if noRows(err) {
		err = notFound(resourceName(r))
	}
	return row, err
}

// clinicianResource keeps the diary's view of a clinician in step.
func (t *tx) clinicianResource(ctx context.Context, c Clinician) error {
	_, err := t.exec(ctx, stmtResourceClinician, t.call.Practice, c.ID, c.Name, c.Active, []byte{}, us(t.now))
	return err
}

// ReadSetup returns resources, hours and absences of one snapshot.
func (s *Store) ReadSetup(ctx context.Context, call Call) (DiarySetup, error) {
	var out DiarySetup
	err := s.view(ctx, call, func(q querier, _ time.Time) error {
		var h head
		if err := q.get(ctx, &h, stmtHeadGet, call.Practice); err != nil {
			return err
		}
		out.Version = h.SetupVersion
		var p practiceRow
		if err := q.get(ctx, &p, stmtPracticeGet, call.Practice); err != nil {
			return err
		}
		out.Practice = p.record()
		var err error
		if out.Clinicians, err = clinicians(ctx, q, call.Practice); err != nil {
			return err
		}
		var rows []resourceRow
		if err := q.list(ctx, &rows, stmtResourceList, call.Practice); err != nil {
			return err
		}
		for _, r := range rows {
			out.Resources = append(out.Resources, r.record())
		}
		if out.Hours, err = allHours(ctx, q, call.Practice); err != nil {
			return err
		}
		out.Absences, err = allAbsences(ctx, q, call.Practice)
		return err
	})
	return out, err
}
