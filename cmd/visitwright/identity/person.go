package identity

import (
	"context"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

var rolesToProto = map[store.Role]vw.Role{
	store.RoleReception: vw.Role_ROLE_RECEPTION, store.RoleNurse: vw.Role_ROLE_NURSE, store.RoleClinician: vw.Role_ROLE_CLINICIAN,
	store.RoleManager: vw.Role_ROLE_MANAGER, store.RoleIntegration: vw.Role_ROLE_INTEGRATION,
}

func roleFromProto(r vw.Role) store.Role {
	for role, shown := range rolesToProto {
		if shown == r {
			return role
		}
	}
	return ""
}

func personToProto(practice string, p store.Person) *vw.Person {
	out := &vw.Person{SignInName: p.SignInName, DisplayName: p.DisplayName, Role: rolesToProto[p.Role], Active: p.Active,
		PassphraseSet: !p.SecretTime.IsZero(), CreateTime: instant(p.CreateTime), UpdateTime: instant(p.UpdateTime), Etag: p.Etag}
	if p.ID != "" {
		out.Name = names.Person(practice, p.ID)
	}
	if p.Clinician != "" {
		out.Clinician = names.Clinician(practice, p.Clinician)
	}
	return out
}

func instant(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

// clinicianOf reads the clinician of a person; "" for none.
func (c caller) clinicianOf(p *vw.Person) (string, error) {
	if p.GetClinician() == "" {
		return "", nil
	}
	return c.one(names.ClinicianPattern, "person.clinician", p.GetClinician(), vw.ErrorReason_ERROR_REASON_CLINICIAN_NOT_FOUND)
}

// CreatePerson makes a person, who is active.
func (s *Service) CreatePerson(ctx context.Context, r *vw.CreatePersonRequest) (*vw.Person, error) {
	c, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	if err := c.practice(r.GetParent()); err != nil {
		return nil, err
	}
	want := r.GetPerson()
	p := store.Person{SignInName: strings.TrimSpace(want.GetSignInName()), DisplayName: want.GetDisplayName(), Role: roleFromProto(want.GetRole()), Active: true}
	if p.Clinician, err = c.clinicianOf(want); err != nil {
		return nil, err
	}
	var secret []byte
	if r.GetPassphrase() != "" {
		if secret, err = s.hash(ctx, "passphrase", r.GetPassphrase()); err != nil {
			return nil, err
		}
	}
	if r.GetValidateOnly() {
		return s.preview(ctx, c, p)
	}
	made, err := s.store.CreatePerson(ctx, c.call, p, secret)
	if err != nil {
		return nil, told(err, c.Practice)
	}
	return personToProto(c.Practice, made), nil
}

// preview says what would be kept of a person, checked as if it were.
func (s *Service) preview(ctx context.Context, c caller, p store.Person) (*vw.Person, error) {
	if err := p.Check(); err != nil {
		return nil, told(err, c.Practice)
	}
	if p.Clinician != "" {
		if _, err := s.store.GetClinician(ctx, c.call, p.Clinician); err != nil {
			return nil, told(err, c.Practice)
		}
	}
	all, err := s.store.ListPeople(ctx, c.call)
	if err != nil {
		return nil, told(err, c.Practice)
	}
	for _, other := range all {
		if other.ID != p.ID && store.NameKey(other.SignInName) == store.NameKey(p.SignInName) {
			return nil, told(&store.Problem{Kind: store.ErrExists, Resource: "people", Field: "sign_in_name"}, c.Practice)
		}
	}
	return personToProto(c.Practice, p), nil
}

// settable are the fields of a person that an update may set.
var settable = []string{"sign_in_name", "display_name", "role", "clinician", "active"}

// masked are the fields that an update sets: those of the mask, or without one
// those that are populated.
func masked(mask *fieldmaskpb.FieldMask, p *vw.Person) (map[string]bool, error) {
	set := map[string]bool{}
	for _, path := range mask.GetPaths() {
		switch {
		case path == "*":
			for _, name := range settable {
				set[name] = true
			}
		case slices.Contains(settable, path):
			set[path] = true
		default:
			return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_UPDATE_MASK, "update_mask",
				"fields that may be set: "+strings.Join(settable, ", ")).With("settable", strings.Join(settable, ","))
		}
	}
	if len(mask.GetPaths()) == 0 {
		p.ProtoReflect().Range(func(f protoreflect.FieldDescriptor, _ protoreflect.Value) bool {
			if slices.Contains(settable, string(f.Name())) {
				set[string(f.Name())] = true
			}
			return true
		})
	}
	if len(set) == 0 {
		return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_UPDATE_MASK, "update_mask", "at least one field to set")
	}
	return set, nil
}

// UpdatePerson changes a person.
func (s *Service) UpdatePerson(ctx context.Context, r *vw.UpdatePersonRequest) (*vw.Person, error) {
	c, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	want := r.GetPerson()
	id, err := c.one(names.PersonPattern, "person.name", want.GetName(), vw.ErrorReason_ERROR_REASON_PERSON_NOT_FOUND)
	if err != nil {
		return nil, err
	}
	if want.GetEtag() == "" {
		return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, "person.etag", "the etag of the record as it was read")
	}
	set, err := masked(r.GetUpdateMask(), want)
	if err != nil {
		return nil, err
	}
	change, err := c.change(id, want, set)
	if err != nil {
		return nil, err
	}
	if c.Person == id && (change.Active != nil && !*change.Active || change.Role != nil && *change.Role != store.RoleManager) {
		return nil, fault.State(vw.ErrorReason_ERROR_REASON_OWN_ACCESS, want.GetName(), "nobody takes the role manager or the access from themselves: ask another manager")
	}
	if r.GetValidateOnly() {
		now, err := s.store.GetPerson(ctx, c.call, id)
		if err != nil {
			return nil, told(err, c.Practice)
		}
		if now.Etag != change.Etag {
			return nil, told(&store.Problem{Kind: store.ErrStaleEtag, Resource: "people/" + id}, c.Practice)
		}
		return s.preview(ctx, c, applied(now, change))
	}
	changed, err := s.store.UpdatePerson(ctx, c.call, change)
	if err != nil {
		return nil, told(err, c.Practice)
	}
	return personToProto(c.Practice, changed), nil
}

// change is what the store is asked to change.
func (c caller) change(id string, want *vw.Person, set map[string]bool) (store.PersonUpdate, error) {
	out := store.PersonUpdate{ID: id, Etag: want.GetEtag()}
	if set["sign_in_name"] {
		out.SignInName = new(strings.TrimSpace(want.GetSignInName()))
	}
	if set["display_name"] {
		out.DisplayName = new(want.GetDisplayName())
	}
	if set["active"] {
		out.Active = new(want.GetActive())
	}
	if set["role"] {
		out.Role = new(roleFromProto(want.GetRole()))
		if *out.Role != store.RoleClinician && !set["clinician"] {
			out.Clinician = new("") // whoever is no clinician any more stands for none
		}
	}
	if set["clinician"] {
		clinician, err := c.clinicianOf(want)
		if err != nil {
			return out, err
		}
		out.Clinician = &clinician
	}
	return out, nil
}

func applied(p store.Person, c store.PersonUpdate) store.Person {
	if c.SignInName != nil {
		p.SignInName = *c.SignInName
	}
	if c.DisplayName != nil {
		p.DisplayName = *c.DisplayName
	}
	if c.Role != nil {
		p.Role = *c.Role
	}
	if c.Clinician != nil {
		p.Clinician = *c.Clinician
	}
	if c.Active != nil {
		p.Active = *c.Active
	}
	return p
}

// ListPeople lists people by sign-in name.
func (s *Service) ListPeople(ctx context.Context, r *vw.ListPeopleRequest) (*vw.ListPeopleResponse, error) {
	c, err := known(ctx)
	if err != nil {
		return nil, err
	}
	if err := c.practice(r.GetParent()); err != nil {
		return nil, err
	}
	cursor, err := s.pager.Cursor(r)
	if err != nil {
		return nil, told(err, c.Practice)
	}
	all, err := s.store.ListPeople(ctx, c.call)
	if err != nil {
		return nil, told(err, c.Practice)
	}
	// The cursor is the key of the last name shown: a person who is added
	// meanwhile moves nobody to another page.
	from, _ := slices.BinarySearchFunc(all, cursor, func(p store.Person, after string) int {
		if store.NameKey(p.SignInName) <= after {
			return -1
		}
		return 1
	})
	size := int(r.GetPageSize())
	if size == 0 {
		size = store.DefaultPageSize
	}
	page := all[from:min(from+min(size, store.MaxPageSize), len(all))]
	out := &vw.ListPeopleResponse{}
	for _, p := range page {
		out.People = append(out.People, personToProto(c.Practice, p))
	}
	if from+len(page) < len(all) {
		out.NextPageToken = s.pager.Token(r, store.NameKey(page[len(page)-1].SignInName))
	}
	return out, nil
}
