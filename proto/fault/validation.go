package fault

import (
	"errors"
	"regexp"
	"strings"

	"buf.build/go/protovalidate"
	"google.golang.org/grpc/codes"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// FromValidation turns what protovalidate found into a Fault with one field
// for each broken rule. It says what would be right and never repeats a value.
// An error that is no finding (a rule that does not compile) comes back as it
// is.
func FromValidation(err error) error {
	var found *protovalidate.ValidationError
	if !errors.As(err, &found) {
		return err
	}
	f := &Fault{Code: codes.InvalidArgument, Reason: vw.ErrorReason_ERROR_REASON_INVALID_FIELD, Text: "a field is not as it should be"}
	if len(found.Violations) > 1 {
		f.Text = "several fields are not as they should be"
	}
	enums, namesOnly := true, true
	for _, v := range found.Violations {
		rule := v.Proto.GetRuleId()
		path := protovalidate.FieldPathString(v.Proto.GetField())
		f.Fields = append(f.Fields, Field{Path: path, Want: want(v)})
		enums = enums && strings.HasPrefix(rule, "enum.")
		namesOnly = namesOnly && isName(v)
	}
	switch {
	case enums:
		f.Reason = vw.ErrorReason_ERROR_REASON_UNKNOWN_ENUM_VALUE
	case namesOnly:
		f.Reason = vw.ErrorReason_ERROR_REASON_INVALID_NAME
	}
	if len(f.Fields) == 1 {
		f.Text = f.Fields[0].Path + ": want " + f.Fields[0].Want
	}
	return f
}

func isName(v *protovalidate.Violation) bool {
	return v.Proto.GetRuleId() == "string.pattern" && strings.HasPrefix(v.RuleValue.String(), "^practices/")
}

// patterns words the patterns of the contract; those of resource names are
// worded by nameForm.
var patterns = map[string]string{
	"^[a-z0-9][a-z0-9-]{0,62}$":        "an id of a-z, 0-9 and -, 1 to 63 characters",
	"^([a-z0-9][a-z0-9-]*)?$":          "an id of a-z, 0-9 and -, or nothing",
	"^[a-z0-9][a-z0-9._-]{0,62}$":      "1 to 63 characters of a-z, 0-9, dot, hyphen and underscore",
	"^[A-Za-z0-9][A-Za-z0-9._/-]*$":    "letters, digits, dot, underscore, slash and hyphen, beginning with a letter or a digit",
	"^([A-Za-z0-9][A-Za-z0-9._@-]*)?$": "letters, digits, dot, underscore, hyphen and @",
	"^([A-Z]{2}(-[A-Z0-9]{1,3})?)?$":   "a region code such as AT or DE-BY",
}

var nameParts = strings.NewReplacer("[a-z0-9][a-z0-9-]{0,62}", "{id}", "[1-9][0-9]{0,8}", "{number}", "^", "", "$", "")

// ranges reads the two ends of a rule about a number.
var ranges = regexp.MustCompile(`^greater than or equal to (\S+) and less than or equal to (\S+)$`)

// bounds says a range as people do: "2 to 350".
func bounds(text string) string {
	if ends := ranges.FindStringSubmatch(text); ends != nil {
		return ends[1] + " to " + ends[2]
	}
	if least, ok := strings.CutPrefix(text, "greater than or equal to "); ok {
		return least + " or more"
	}
	if most, ok := strings.CutPrefix(text, "less than or equal to "); ok {
		return most + " or less"
	}
	return text
}

// want says what would be right, from the rule alone. The messages of the
// standard rules hold no value; a test walks all rules of the contract.
func want(v *protovalidate.Violation) string {
	switch rule := v.Proto.GetRuleId(); rule {
	case "required":
		return "a value"
	case "string.pattern":
		pattern := v.RuleValue.String()
		if isName(v) {
			return "a resource name of the form " + nameParts.Replace(pattern)
		}
		if words, ok := patterns[pattern]; ok {
			return words
		}
		return "text that matches " + pattern
	case "string.uuid":
		return "a UUID, version 4"
	case "enum.defined_only":
		return "one of the values of the contract"
	case "enum.not_in":
		return "one of the values of the contract other than UNSPECIFIED"
	case "enum.in":
		return "one of the values that the method's comment names"
	}
	text := v.Proto.GetMessage()
	for _, start := range []string{"must be ", "must contain "} {
		if rest, ok := strings.CutPrefix(text, start); ok {
			return bounds(rest)
		}
	}
	return "a value that follows the rule " + v.Proto.GetRuleId()
}
