package audit

import (
	"fmt"
	"html/template"
	"io"
)

// formPage is a fragment for a page of the console: no head, no style of its
// own beyond classes, every input labelled.
var formPage = template.Must(template.New("form").Funcs(template.FuncMap{
	"build":  func() string { return labelBuild },
	"madeAs": func() string { return labelMadeAs },
	"missed": func() string { return labelMissed },
}).Parse(`<section class="audit-form" aria-labelledby="audit-title">
<h1 id="audit-title">Audit of {{.Site}}, {{.Day}}</h1>
<p class="audit-plan">{{.Chain}} · plan <code>{{.Plan}}</code> · {{len .Rows}} drinks{{with .Cups}}, {{len .}} cups tasted{{end}}</p>
<div class="audit-cautions" role="note"><h2>Mind</h2>
<ul>
{{- range .Cautions}}
<li>{{.}}</li>
{{- end}}
<li>{{.Allergens}}</li>
</ul></div>
<h2>How</h2>
<ol>
{{- range .Instructions}}
<li>{{.}}</li>
{{- end}}
</ol>
{{- range .Rows}}{{$row := .}}
<fieldset class="audit-drink"><legend>{{.No}} · {{.At}} to {{.Until}} · {{.Station}} · {{.Barista}}</legend>
<p class="audit-order">{{.Drink}} <span class="audit-vessel">in {{.Vessel}}</span></p>
<div class="audit-values">
{{- range .Boxes}}
<label>{{.Label}}{{with .Unit}} ({{.}}){{end}} <input name="d{{$row.No}}.{{.Field}}" inputmode="decimal" autocomplete="off"> <small>{{.Hint}}</small></label>
{{- end}}
</div>
<label>{{build}} <input name="d{{.No}}.build" autocomplete="off"></label>
<label>{{madeAs}} <input name="d{{.No}}.serving" autocomplete="off"></label>
<label>{{missed}} <input name="d{{.No}}.missed" autocomplete="off"></label>
</fieldset>
{{- end}}
{{- with .Cups}}
<h2>Tasting, blind</h2>
<p>0 to 9; 5 is as it should be. Taste before you talk.</p>
{{- range .}}{{$code := .Code}}
<fieldset class="audit-cup"><legend>Cup {{.Code}}</legend>
{{- range .Scores}}
<label>{{.}} <input name="c{{$code}}.{{.}}" inputmode="numeric" min="0" max="9" autocomplete="off"></label>
{{- end}}
</fieldset>
{{- end}}
{{- end}}
<h2>What so few drinks can show</h2>
<ul>
{{- range .Power}}
<li>{{.}}</li>
{{- end}}
{{- range .Notes}}
<li>{{.}}</li>
{{- end}}
</ul>
</section>
`))

// HTML writes the form as a fragment; everything in it is escaped for its place.
func (f *Form) HTML(w io.Writer) error {
	if err := formPage.Execute(w, f); err != nil {
		return fmt.Errorf("writing the form as a page: %w", err)
	}
	return nil
}
