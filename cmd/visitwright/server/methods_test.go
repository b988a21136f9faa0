package server

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// contractMethods is every method of every service of the contract.
func contractMethods() []string {
	var methods []string
	protoregistry.GlobalFiles.RangeFilesByPackage("visitwright.v1", func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			s := f.Services().Get(i)
			for j := range s.Methods().Len() {
				methods = append(methods, "/"+string(s.FullName())+"/"+string(s.Methods().Get(j).Name()))
			}
		}
		return true
	})
	return methods
}

func TestEveryMethodOfTheContractIsGivenToSomeRole(t *testing.T) {
	methods := contractMethods()
	if len(methods) == 0 {
		t.Fatal("the contract has no methods")
	}
	for _, method := range methods {
		// Signing in, and a calendar feed that is opened by its own secret; a
		// third one is a decision, not a slip.
		free := method == vw.IdentityService_SignIn_FullMethodName || method == vw.DiaryService_ReadCalendarFeed_FullMethodName
		if (len(Table[method]) == 0) != free {
			t.Errorf("%s is in the rows %v of the table", method, Table[method])
		}
		if open(method) != free {
			t.Errorf("%s may be called without a token: %v", method, !free)
		}
	}
	for method := range Table {
		if !slices.Contains(methods, method) {
			t.Errorf("the table has a row for %s, which no service has", method)
		}
	}
}

// The contract's comments name the roles at each method, for whoever writes a
// client; they must say what the table does.
func TestTheTableSaysWhatTheContractSays(t *testing.T) {
	files, err := filepath.Glob("../../../proto/visitwright/v1/*.proto")
	if err != nil || len(files) == 0 {
		t.Fatalf("no contract found: %v", err)
	}
	method := regexp.MustCompile(`((?:[ \t]*//[^\n]*\n)+)\s*rpc (\w+)\(`)
	service := regexp.MustCompile(`(?m)^service (\w+) \{`)
	seen := 0
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		name := service.FindStringSubmatch(string(text))
		if name == nil {
			continue
		}
		for _, m := range method.FindAllStringSubmatch(string(text), -1) {
			seen++
			full := "/visitwright.v1." + name[1] + "/" + m[2]
			comment := strings.Join(strings.Fields(strings.ReplaceAll(m[1], "//", " ")), " ")
			_, roles, found := strings.Cut(comment, "Roles: ")
			roles, _, ended := strings.Cut(roles, "Codes")
			if !found || !ended {
				t.Errorf("%s: the comment names no roles and codes", full)
				continue
			}
			for _, role := range everybody {
				said := strings.HasPrefix(roles, "all.") || strings.Contains(roles, string(role))
				if said != Table.Allows(full, role) {
					t.Errorf("%s: the contract says %q, the table says %v", full, roles, Table[full])
					break
				}
			}
		}
	}
	if seen != len(contractMethods()) {
		t.Errorf("read the comments of %d methods, the contract has %d", seen, len(contractMethods()))
	}
}
