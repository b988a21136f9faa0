package cli

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// MaxCaseFile is the largest case file that is read, in bytes.
const MaxCaseFile = 256 << 10

// caseFile is one case on paper: who, which tooth, what was found. Each part
// is a message of the contract in its JSON form; the names that the service
// gives are left out.
type caseFile struct {
	Patient  *vw.Patient
	Case     *vw.Case
	Findings *vw.Findings
}

// readCaseFile reads a case file; "-" reads the standard input.
func readCaseFile(name string, stdin io.Reader) (*caseFile, error) {
	in := stdin
	if name != "-" {
		f, err := os.Open(name)
		if err != nil {
			return nil, usage("--file: %v", err)
		}
		defer func() { _ = f.Close() }() // read only
		in = f
	}
	text, err := io.ReadAll(io.LimitReader(in, MaxCaseFile+1))
	if err != nil {
		return nil, fmt.Errorf("case file: %w", err)
	}
	if len(text) > MaxCaseFile {
		return nil, usage("the case file is larger than %d KiB: a case needs a few", MaxCaseFile>>10)
	}
	return parseCaseFile(text)
}

func parseCaseFile(text []byte) (*caseFile, error) {
	var parts struct {
		Patient  json.RawMessage `json:"patient"`
		Case     json.RawMessage `json:"case"`
		Findings json.RawMessage `json:"findings"`
	}
	decoder := json.NewDecoder(bytes.NewReader(text))
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(&parts); err != nil {
		return nil, usage("case file: %s; want {\"patient\": ..., \"case\": ..., \"findings\": ...}", withoutValues(err))
	}
	if _, err := decoder.Token(); !errors.Is(err, io.EOF) {
		return nil, usage("case file: something follows the closing brace")
	}
	c := &caseFile{Patient: &vw.Patient{}, Case: &vw.Case{}, Findings: &vw.Findings{}}
	for _, part := range []struct {
		name string
		text json.RawMessage
		into proto.Message
	}{{"patient", parts.Patient, c.Patient}, {"case", parts.Case, c.Case}, {"findings", parts.Findings, c.Findings}} {
		if part.text == nil {
			continue
		}
		if err := protojson.Unmarshal(part.text, part.into); err != nil {
			return nil, usage("case file, %s: %v", part.name, err)
		}
	}
	if c.Case.GetTooth().GetIso() == "" {
		return nil, usage(`case file, case.tooth: is missing; want for example "tooth": {"iso": "46"}`)
	}
	return c, nil
}

// withoutValues keeps a JSON error's place and drops what stood there.
func withoutValues(err error) string {
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	switch {
	case errors.As(err, &syntax):
		return fmt.Sprintf("not JSON at byte %d", syntax.Offset)
	case errors.As(err, &kind):
		return fmt.Sprintf("%s has the wrong type at byte %d", kind.Field, kind.Offset)
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return "it ends too early"
	}
	return err.Error()
}
