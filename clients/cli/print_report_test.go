package cli

import (
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/type/date"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

func TestALetterForPrintShowsWhatIsAskedByWhenAndEscapesWhatPeopleWrote(t *testing.T) {
	day := &date.Date{Year: 2027, Month: 3, Day: 1}
	page, err := printReport(&vw.Report{Title: "Report after treatment", Question: "<script>Crown?</script>", Date: day, Tooth: "46, lower right first molar", Sections: []*vw.ReportSection{
		{Id: "asked-of-you", Title: "What is asked of you", Items: []*vw.ReportItem{{Text: "place the crown", FromDate: day, BestDate: day, ByDate: day, Because: "cusps"}}}}})
	if err != nil {
		t.Fatal(err)
	}
	text := string(page)
	for _, want := range []string{"46, lower right first molar", "&lt;script&gt;Crown?", `<section class="asked-of-you">`, "by 2027-03-01", "place the crown"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page lacks %q", want)
		}
	}
	for _, not := range []string{"<script", "http://", "https://"} {
		if strings.Contains(text, not) {
			t.Errorf("the page has %q", not)
		}
	}
}
