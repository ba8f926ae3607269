package bench

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"fmt"
	"net/http"
	"path"
	"time"

	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
)

//go:embed static
var staticFS embed.FS

// static serves the style sheet, the script and the icon.
func (s *site) static(w http.ResponseWriter, r *http.Request) error {
	name := path.Base(r.URL.Path)
	b, err := staticFS.ReadFile("static/" + name)
	if err != nil {
		return err
	}
	send(w, r, name, "", b)
	return nil
}

// font serves a face of the Go font. The pages carry the font of the paper, so that
// a sheet printed from a browser has as many pages on every machine.
func (s *site) font(w http.ResponseWriter, r *http.Request) error {
	name, face := path.Base(r.URL.Path), goregular.TTF
	if name == "bold.ttf" {
		face = gobold.TTF
	}
	send(w, r, name, "", face)
	return nil
}

// types of the files, by the end of their names. They are written here since a
// system's own table may say otherwise.
var types = map[string]string{
	".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8", ".svg": "image/svg+xml", ".pdf": "application/pdf",
	".png": "image/png", ".jpg": "image/jpeg", ".csv": "text/csv; charset=utf-8", ".json": "application/json", ".ttf": "font/ttf", ".txt": "text/plain; charset=utf-8",
}

// send writes a file that a browser may keep as long as it asks each time
// whether it still holds. The tag of its content begins with a code, where it
// has one.
func send(w http.ResponseWriter, r *http.Request, name, code string, b []byte) {
	h := w.Header()
	h.Set("Content-Type", types[path.Ext(name)])
	h.Set("Cache-Control", "private, no-cache")
	sum := sha256.Sum256(b)
	if code != "" {
		code += "-"
	}
	h.Set("ETag", fmt.Sprintf(`"%s%x"`, code, sum[:6]))
	http.ServeContent(w, r, name, time.Time{}, bytes.NewReader(b))
}
