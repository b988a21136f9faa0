package server

import (
	"context"
	"strings"
	"sync"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// practiceLink keeps a token inside its practice. The store takes the practice
// from the token alone; this link refuses a request that names another one,
// so that no handler has to remember to. It also settles for whom an
// integration acts.
func practiceLink(audit *refusals) link {
	return link{
		name: LinkPractice, after: []string{LinkAuthenticate, LinkRole},
		message: func(ctx context.Context, call *Call, message proto.Message) error {
			if call.Anyone {
				return nil
			}
			m := message.ProtoReflect()
			if namesOther(m, "practices/"+call.Caller.Practice) {
				err := otherPractice(call)
				audit.keep(ctx, call)
				return err
			}
			if field := m.Descriptor().Fields().ByName("on_behalf_of"); field != nil {
				given := m.Get(field).String() != ""
				switch integration := call.Caller.Role == store.RoleIntegration; {
				case given && !integration:
					err := onBehalfNotAllowed(call)
					audit.keep(ctx, call)
					return err
				case !given && integration:
					return onBehalfRequired(call)
				}
			}
			return nil
		},
	}
}

// namesOther reports whether a resource name in the message, at any depth,
// belongs to another practice than own, "practices/{practice}".
func namesOther(m protoreflect.Message, own string) bool {
	for _, f := range readable(m.Descriptor()) {
		if !m.Has(f) {
			continue
		}
		switch {
		case f.IsMap():
			continue // no request has one; their keys are never names
		case f.IsList():
			list := m.Get(f).List()
			for i := range list.Len() {
				if valueNamesOther(f, list.Get(i), own) {
					return true
				}
			}
		default:
			if valueNamesOther(f, m.Get(f), own) {
				return true
			}
		}
	}
	return false
}

func valueNamesOther(f protoreflect.FieldDescriptor, v protoreflect.Value, own string) bool {
	if f.Message() != nil {
		return namesOther(v.Message(), own)
	}
	name := v.String()
	if !strings.HasPrefix(name, "practices/") {
		return false
	}
	rest, found := strings.CutPrefix(name, own)
	return !found || rest != "" && rest[0] != '/'
}

// readableFields caches, for each message type, the fields in which a resource
// name can stand: strings and messages, without those that hold what people
// wrote about a patient.
var readableFields sync.Map // protoreflect.FullName -> []protoreflect.FieldDescriptor

func readable(d protoreflect.MessageDescriptor) []protoreflect.FieldDescriptor {
	if known, ok := readableFields.Load(d.FullName()); ok {
		return known.([]protoreflect.FieldDescriptor)
	}
	var fields []protoreflect.FieldDescriptor
	for i := range d.Fields().Len() {
		f := d.Fields().Get(i)
		personal, _ := proto.GetExtension(f.Options(), vw.E_Personal).(bool)
		if !personal && (f.Kind() == protoreflect.StringKind || f.Message() != nil) {
			fields = append(fields, f)
		}
	}
	readableFields.Store(d.FullName(), fields)
	return fields
}

// resourceOf is the first resource name in the message, for the audit trail,
// without its practice; "" when there is none.
func resourceOf(m protoreflect.Message) string {
	for _, f := range readable(m.Descriptor()) {
		if f.IsList() || f.IsMap() || !m.Has(f) {
			continue
		}
		if f.Message() != nil {
			if name := resourceOf(m.Get(f).Message()); name != "" {
				return name
			}
			continue
		}
		if name, found := strings.CutPrefix(m.Get(f).String(), "practices/"); found {
			_, within, _ := strings.Cut(name, "/")
			return within
		}
	}
	return ""
}

// storeCall is how the store is told who calls.
func (c *Call) storeCall() store.Call { return c.Caller.Call(c.Method) }
