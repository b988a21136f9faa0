package desk

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"io/fs"
	"log/slog"
	"net/http"
	"path"
	"strings"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

//go:embed pages parts
var pageFiles embed.FS

// views are the parsed pages, each with the frame and the parts.
type views struct{ pages map[string]*template.Template }

// readViews parses every page once, so that a broken one is found at start.
func readViews(a *assets) (*views, error) {
	base, err := template.New("frame.html").Funcs(functions(a)).Option("missingkey=error").ParseFS(pageFiles, "parts/*.html")
	if err != nil {
		return nil, err
	}
	names, err := fs.Glob(pageFiles, "pages/*.html")
	if err != nil {
		return nil, err
	}
	v := &views{pages: map[string]*template.Template{}}
	for _, n := range names {
		clone, err := base.Clone()
		if err != nil {
			return nil, err
		}
		if v.pages[strings.TrimSuffix(path.Base(n), ".html")], err = clone.ParseFS(pageFiles, n); err != nil {
			return nil, err
		}
	}
	return v, nil
}

// view is what a template sees: words of the practice, who is signed in, and
// the page's own data.
type view struct {
	*words
	Title    string
	Data     any
	Me       *vw.Me
	Practice string
	Section  string
	Bare     bool
	Demo     *Demo
	// Here is the address of the page, for forms that come back to it.
	Here string
	desk *Desk
}

// show renders a page into memory first: a page is sent whole or not at all.
func (d *Desk) show(w http.ResponseWriter, r *http.Request, q *ask, p *page) {
	if p.to != "" {
		http.Redirect(w, r, p.to, http.StatusSeeOther)
		return
	}
	if p.file != nil {
		w.Header().Set("Content-Type", p.file.kind)
		w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", p.file.name))
		_, _ = w.Write(p.file.body)
		return
	}
	if p.name == "" {
		w.WriteHeader(p.status)
		return
	}
	v := &view{Title: p.title, Data: p.data, Section: p.section, Bare: p.bare, Demo: d.o.Demo, desk: d, Here: r.URL.RequestURI()}
	if q != nil && q.words != nil {
		v.words, v.Me, v.Practice = q.words, q.me, q.practice
	} else {
		v.words, v.Bare = &words{texts: d.texts, zone: d.o.Now().UTC().Location(), now: d.o.Now().UTC()}, true
	}
	t := d.views.pages[p.name]
	if t == nil {
		d.o.Log.Error("desk: no such page", slog.String("page", p.name))
		http.Error(w, d.texts.T("fault.inside"), http.StatusInternalServerError)
		return
	}
	var body bytes.Buffer
	if err := t.ExecuteTemplate(&body, "frame.html", v); err != nil {
		d.o.Log.Error("desk: page does not render", slog.String("page", p.name), slog.Any("error", err))
		http.Error(w, d.texts.T("fault.inside"), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	if p.status != 0 {
		w.WriteHeader(p.status)
	}
	_, _ = w.Write(body.Bytes()) // a browser that went away misses nothing
}

// Role is the role of whoever is signed in, by its short name: "reception".
func (v *view) Role() string {
	return strings.ToLower(strings.TrimPrefix(v.Me.GetRole().String(), "ROLE_"))
}

// May reports whether whoever is signed in has one of the roles.
func (v *view) May(roles ...string) bool {
	own := v.Role()
	for _, r := range roles {
		if r == own {
			return true
		}
	}
	return false
}

// fieldView is one field of a form as the template "field" shows it.
type fieldView struct {
	*view
	Form *form
	// Kind is text, number, date, time, tel, email, password, area, check,
	// choice or radio.
	Kind, Name string
	// Label is a key of the texts; Hint is the text of label + "-hint".
	Label, Hint string
	Options     []option
	// Value is what stands in the field; for a box, what it sends.
	Value    string
	Required bool
	// More are further attributes: min, max, step, list, autocomplete ...
	More map[string]string
}

// option is one choice of a field.
type option struct {
	Value, Text string
	// Hint stands below the text of a radio.
	Hint string
}

// Field prepares one field; attributes come in pairs: "required", "yes",
// "min", "1".
func (v *view) Field(f *form, kind, name, label string, more ...any) (fieldView, error) {
	out := fieldView{view: v, Form: f, Kind: kind, Name: name, Label: v.T(label), Value: f.values.Get(name), More: map[string]string{}}
	if v.Has(label + "-hint") {
		out.Hint = v.T(label + "-hint")
	}
	for i := 0; i < len(more); i++ {
		switch m := more[i].(type) {
		case []option:
			out.Options = m
		case string:
			if i+1 == len(more) {
				return out, fmt.Errorf("field %s: %q has no value", name, m)
			}
			i++
			switch value := fmt.Sprint(more[i]); m {
			case "required":
				out.Required = true
			case "hint":
				out.Hint = value
			case "label":
				out.Label = value
			case "value":
				out.Value = value
			default:
				out.More[m] = value
			}
		}
	}
	return out, nil
}

// Chosen reports whether a choice is the one that stands in the field.
func (f fieldView) Chosen(value string) bool {
	for _, v := range f.Form.values[f.Name] {
		if v == value {
			return true
		}
	}
	return len(f.Form.values[f.Name]) == 0 && value == "" && f.Kind == "choice"
}

// ID is the field's id in the page.
func (f fieldView) ID() string { return "f-" + f.Name }

// Attr is one further attribute, or "".
func (f fieldView) Attr(name string) string { return f.More[name] }
