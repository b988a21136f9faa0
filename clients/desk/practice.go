package desk

import (
	"cmp"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"golang.org/x/sync/errgroup"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var practiceRoutes = []route{
	{"GET /practice", everybody, (*ask).practicePage},
	{"GET /practice/clinicians/{clinician}", managers, (*ask).clinicianPage},
	{"POST /practice/clinicians/{clinician}", managers, (*ask).keepClinician},
	{"GET /practice/resources/{resource}", managers, (*ask).resourcePage},
	{"POST /practice/resources/{resource}", managers, (*ask).keepResource},
}

// practicePage shows who and what the practice has.
type practicePage struct {
	Clinicians               []*vw.Clinician
	Rooms, Nurses, Equipment []*vw.Resource
	Titles                   map[string]string
	Protocols                entries
	Done                     string
}

// resources are rooms, nurses and equipment.
func (q *ask) resources() ([]*vw.Resource, error) {
	reply, err := q.diary().ListResources(q, &vw.ListResourcesRequest{Parent: q.practice, PageSize: mostInList})
	return reply.GetResources(), err
}

func (q *ask) practicePage() (*page, error) {
	p := &practicePage{Titles: map[string]string{}, Done: q.done("practice")}
	var all []*vw.Resource
	g := errgroup.Group{}
	g.Go(func() (err error) { p.Clinicians, err = q.clinicians(); return err })
	g.Go(func() (err error) { all, err = q.resources(); return err })
	g.Go(func() error {
		named, err := q.catalogues("protocols")
		p.Protocols = named["protocols"]
		return err
	})
	if err := g.Wait(); err != nil {
		return nil, err
	}
	for _, r := range all {
		p.Titles[r.GetName()] = r.GetTitle()
		switch r.GetKind() {
		case vw.Resource_KIND_ROOM:
			p.Rooms = append(p.Rooms, r)
		case vw.Resource_KIND_NURSE:
			p.Nurses = append(p.Nurses, r)
		default:
			p.Equipment = append(p.Equipment, r)
		}
	}
	return &page{name: "practice", title: q.t("practice.title"), section: "practice", data: p}, nil
}

// done is the text that says what was just done, when the address says so.
func (q *ask) done(section string) string {
	if key := section + ".done-" + q.form.Get("done"); !q.posted() && q.words.has(key) {
		return q.t(key)
	}
	return ""
}

// newID stands in an address for something that is not there yet.
const newID = "new"

// clinicianForm is the page on which a clinician is added or changed.
type clinicianForm struct {
	Form      *form
	ID        string
	Protocols []option
}

func (q *ask) clinicianPage() (*page, error) {
	p, err := q.clinicianFields(newForm(nil))
	if err != nil {
		return nil, err
	}
	if p.ID == newID {
		p.Form.Set("active", "yes")
	} else {
		c, err := q.planner().GetClinician(q, &vw.GetClinicianRequest{Name: q.name("clinicians", p.ID)})
		if err != nil {
			return nil, err
		}
		p.Form.values = clinicianValues(c)
	}
	return &page{name: "practice-clinician", title: q.t("practice.clinician"), section: "practice", data: p}, nil
}

func clinicianValues(c *vw.Clinician) url.Values {
	v := url.Values{"title": {c.GetTitle()}, "protocols": c.GetProtocols(), "etag": {c.GetEtag()}}
	if c.GetActive() {
		v.Set("active", "yes")
	}
	if c.GetAcceptsPartlyStops() {
		v.Set("partly", "yes")
	}
	return v
}

func (q *ask) clinicianFields(f *form) (*clinicianForm, error) {
	named, err := q.catalogues("protocols")
	return &clinicianForm{Form: f, ID: q.path("clinician"), Protocols: named["protocols"].options("")}, err
}

func (q *ask) keepClinician() (*page, error) {
	f := q.typed()
	p, err := q.clinicianFields(f)
	if err != nil {
		return nil, err
	}
	c := &vw.Clinician{Title: f.Get("title"), Active: f.On("active"), AcceptsPartlyStops: f.On("partly"), Etag: f.Get("etag")}
	for _, id := range f.All("protocols") {
		if !slices.ContainsFunc(p.Protocols, func(o option) bool { return o.Value == id }) {
			f.wrong("protocols", q.t("form.choice-wrong"))
		}
		c.Protocols = append(c.Protocols, id)
	}
	if c.GetTitle() == "" {
		f.wrong("title", q.t("practice.title-missing"))
	}
	if f.ok() {
		if p.ID == newID {
			_, err = q.planner().CreateClinician(q, &vw.CreateClinicianRequest{Parent: q.practice, Clinician: c, RequestId: f.RequestID})
		} else {
			c.Name = q.name("clinicians", p.ID)
			_, err = q.planner().UpdateClinician(q, &vw.UpdateClinicianRequest{Clinician: c, RequestId: f.RequestID,
				UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"title", "protocols", "active", "accepts_partly_stops"}}})
		}
		switch {
		case err == nil:
			return goTo("/practice?done=kept"), nil
		case conflict(err):
			now, err := q.planner().GetClinician(q, &vw.GetClinicianRequest{Name: c.GetName()})
			if err != nil {
				return nil, err
			}
			f.meanwhile(q, clinicianValues(now))
		case !f.refused(err, map[string]string{"clinician.title": "title", "clinician.protocols": "protocols"}):
			return nil, err
		}
	}
	return &page{name: "practice-clinician", title: q.t("practice.clinician"), section: "practice", data: p, status: http.StatusUnprocessableEntity}, nil
}

// resourceForm is the page on which a room, a nurse or a unit is added or
// changed.
type resourceForm struct {
	Form  *form
	ID    string
	Kinds []option
	Rooms []option
}

func (q *ask) resourceFields(f *form) (*resourceForm, error) {
	p := &resourceForm{Form: f, ID: q.path("resource")}
	all, err := q.resources()
	if err != nil {
		return nil, err
	}
	for _, r := range all {
		if r.GetKind() == vw.Resource_KIND_ROOM {
			p.Rooms = append(p.Rooms, option{Value: lastPart(r.GetName()), Text: r.GetTitle()})
		}
	}
	for _, k := range []string{"room", "nurse", "equipment"} {
		p.Kinds = append(p.Kinds, option{Value: k, Text: q.t("practice.kind-" + k)})
	}
	return p, nil
}

// resourceKinds are the kinds as forms write them.
var resourceKinds = map[string]vw.Resource_Kind{"room": vw.Resource_KIND_ROOM, "nurse": vw.Resource_KIND_NURSE, "equipment": vw.Resource_KIND_EQUIPMENT}

func resourceValues(r *vw.Resource) url.Values {
	v := url.Values{"title": {r.GetTitle()}, "class": {r.GetEquipmentClass()}, "before": {strconv.Itoa(int(r.GetPreparationMinutes()))},
		"after": {strconv.Itoa(int(r.GetCleanUpMinutes()))}, "etag": {r.GetEtag()}}
	for word, kind := range resourceKinds {
		if kind == r.GetKind() {
			v.Set("kind", word)
		}
	}
	for _, room := range r.GetRooms() {
		v.Add("rooms", lastPart(room))
	}
	if r.GetActive() {
		v.Set("active", "yes")
	}
	return v
}

func (q *ask) resourcePage() (*page, error) {
	p, err := q.resourceFields(newForm(nil))
	if err != nil {
		return nil, err
	}
	if p.ID == newID {
		p.Form.values = url.Values{"kind": {cmp.Or(q.form.Get("kind"), "room")}, "before": {"0"}, "after": {"10"}, "active": {"yes"}}
	} else {
		r, err := q.diary().GetResource(q, &vw.GetResourceRequest{Name: q.name("resources", p.ID)})
		if err != nil {
			return nil, err
		}
		p.Form.values = resourceValues(r)
	}
	return &page{name: "practice-resource", title: q.t("practice.resource"), section: "practice", data: p}, nil
}

func (q *ask) keepResource() (*page, error) {
	f := q.typed()
	p, err := q.resourceFields(f)
	if err != nil {
		return nil, err
	}
	r := &vw.Resource{Kind: resourceKinds[f.chosen(q, "kind", p.Kinds)], Title: f.Get("title"), Active: f.On("active"), Etag: f.Get("etag")}
	if r.GetKind() == vw.Resource_KIND_UNSPECIFIED {
		f.wrong("kind", q.t("form.choice-wrong"))
	}
	if r.GetTitle() == "" {
		f.wrong("title", q.t("practice.title-missing"))
	}
	paths := []string{"title", "active"}
	switch r.GetKind() {
	case vw.Resource_KIND_ROOM:
		if n := f.whole(q, "before", 0, 120); n != nil {
			r.PreparationMinutes = *n
		}
		if n := f.whole(q, "after", 0, 120); n != nil {
			r.CleanUpMinutes = *n
		}
		paths = append(paths, "preparation_minutes", "clean_up_minutes")
	case vw.Resource_KIND_EQUIPMENT:
		r.EquipmentClass = f.Get("class")
		for _, id := range f.All("rooms") {
			if f.chosenAmong(q, "rooms", id, p.Rooms) {
				r.Rooms = append(r.Rooms, q.name("resources", id))
			}
		}
		paths = append(paths, "equipment_class", "rooms")
	}
	if f.ok() {
		if p.ID == newID {
			_, err = q.diary().CreateResource(q, &vw.CreateResourceRequest{Parent: q.practice, Resource: r, RequestId: f.RequestID})
		} else {
			r.Name = q.name("resources", p.ID)
			_, err = q.diary().UpdateResource(q, &vw.UpdateResourceRequest{Resource: r, RequestId: f.RequestID, UpdateMask: &fieldmaskpb.FieldMask{Paths: paths}})
		}
		switch {
		case err == nil:
			return goTo("/practice?done=kept"), nil
		case conflict(err):
			now, err := q.diary().GetResource(q, &vw.GetResourceRequest{Name: r.GetName()})
			if err != nil {
				return nil, err
			}
			f.meanwhile(q, resourceValues(now))
		case !f.refused(err, map[string]string{"resource.title": "title", "resource.equipment_class": "class", "resource.preparation_minutes": "before", "resource.clean_up_minutes": "after", "resource.rooms": "rooms"}):
			return nil, err
		}
	}
	return &page{name: "practice-resource", title: q.t("practice.resource"), section: "practice", data: p, status: http.StatusUnprocessableEntity}, nil
}

// chosenAmong reports whether one of several values is a choice.
func (f *form) chosenAmong(q *ask, field, value string, choices []option) bool {
	if slices.ContainsFunc(choices, func(o option) bool { return o.Value == value }) {
		return true
	}
	f.wrong(field, q.t("form.choice-wrong"))
	return false
}
