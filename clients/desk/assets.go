package desk

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io/fs"
	"net/http"
	"path"
	"time"
)

//go:embed static
var staticFiles embed.FS

// assets are style, script and sign of the desk. Their addresses carry a hash
// of the content, so that a browser keeps them for good.
type assets struct{ files map[string]asset }

type asset struct {
	kind string
	body []byte
	hash string
}

// readAssets joins the style sheets, and the scripts, each in the order of the
// files' names: a newcomer finds one idea a file, a browser fetches one.
func readAssets() (*assets, error) {
	a := &assets{files: map[string]asset{}}
	for _, joined := range []struct{ name, pattern, kind string }{
		{"desk.css", "static/css/*.css", "text/css; charset=utf-8"},
		{"desk.js", "static/js/*.js", "text/javascript; charset=utf-8"},
		{"sign.svg", "static/sign.svg", "image/svg+xml"},
	} {
		names, err := fs.Glob(staticFiles, joined.pattern)
		if err != nil {
			return nil, err
		}
		var body []byte
		for _, n := range names {
			text, err := staticFiles.ReadFile(n)
			if err != nil {
				return nil, err
			}
			body = append(append(body, text...), '\n')
		}
		if joined.name == "desk.css" {
			body = append(body, dayRowsCSS()...)
		}
		sum := sha256.Sum256(body)
		a.files[joined.name] = asset{kind: joined.kind, body: body, hash: hex.EncodeToString(sum[:6])}
	}
	return a, nil
}

// address is where a page finds an asset.
func (a *assets) address(name string) string {
	return "/static/" + a.files[name].hash + "/" + name
}

func (a *assets) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	file, known := a.files[path.Base(r.URL.Path)]
	if !known || r.URL.Path != a.address(path.Base(r.URL.Path)) {
		http.NotFound(w, r)
		return
	}
	w.Header().Set("Content-Type", file.kind)
	w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	http.ServeContent(w, r, path.Base(r.URL.Path), time.Time{}, bytes.NewReader(file.body))
}
