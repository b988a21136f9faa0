package cli

import (
	"bytes"
	"html/template"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// reportPage is a letter laid out for paper: one column, room for a signature,
// no entry torn over two pages, and nothing fetched from elsewhere.
var reportPage = template.Must(template.New("report").Funcs(template.FuncMap{"day": sayDate}).Parse(`<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<title>{{.GetTitle}}</title>
<style>
@page { size: A4; margin: 25mm 20mm; }
body { font: 11pt/1.45 Georgia, serif; color: #000; max-width: 170mm; margin: 0 auto; }
header { display: flex; justify-content: space-between; border-bottom: .4pt solid #000; padding-bottom: 3mm; }
h1 { font-size: 14pt; margin: 8mm 0 3mm; }
h2 { font-size: 11pt; margin: 6mm 0 1mm; break-after: avoid; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: 0 6mm; margin: 0; }
dt { font-style: italic; } dd { margin: 0; }
table { border-collapse: collapse; width: 100%; }
td { padding: .8mm 4mm .8mm 0; vertical-align: top; }
td.day { white-space: nowrap; width: 28mm; font-variant-numeric: tabular-nums; }
tr { break-inside: avoid; }
small { display: block; }
section.asked-of-you { border: .8pt solid #000; padding: 0 4mm 2mm; margin-top: 6mm; break-inside: avoid; }
footer { margin-top: 12mm; break-inside: avoid; }
.signature { margin-top: 14mm; border-top: .4pt solid #000; width: 70mm; }
</style>
</head>
<body>
<header><div>{{.GetPracticeTitle}}{{with .GetTelephone}}<br>Telephone {{.}}{{end}}</div><div>{{day .GetDate}}</div></header>
<h1>{{.GetTitle}}</h1>
<dl>
<dt>Patient reference</dt><dd>{{.GetPatientReference}}</dd>
<dt>Tooth</dt><dd>{{.GetTooth}}</dd>
{{with .GetDiagnosis}}<dt>Diagnosis</dt><dd>{{.}}</dd>
{{end}}{{with .GetQuestion}}<dt>Your question</dt><dd>{{.}}</dd>
{{end}}</dl>
{{range .GetSections}}<section class="{{.GetId}}">
<h2>{{.GetTitle}}</h2>
<table>
{{range .GetItems}}<tr><td class="day">{{if .GetByDate}}by {{day .GetByDate}}{{else if .GetDate}}{{day .GetDate}}{{end}}</td><td>{{.GetText}}{{if .GetByDate}}<small>from {{day .GetFromDate}} on, best on {{day .GetBestDate}}</small>{{end}}{{with .GetBecause}}<small>{{.}}</small>{{end}}</td></tr>
{{end}}</table>
</section>
{{end}}<footer><p>{{.GetClosing}}</p><p class="signature">Signature</p></footer>
</body>
</html>
`))

// printReport lays a letter out for paper.
func printReport(r *vw.Report) ([]byte, error) {
	var b bytes.Buffer
	err := reportPage.Execute(&b, r)
	return b.Bytes(), err
}
