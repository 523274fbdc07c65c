// Package page is the daemon's page for operators: live frames, the timetable, rates,
// the bus, the wiring and events, in any browser and without any other machine. It
// reaches the daemon only through the API over HTTP, with the rights of any client.
//
// The files stand in static as they are served; there is no build step. Modules of
// arithmetic alone (envelope, range, layout, stats) are tested with node, and the page as
// a whole in a browser against a running daemon.
package page

import (
	"bytes"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"

	"github.com/klauspost/compress/gzhttp"

	"facetd.example/api/tokens"
)

//go:embed static
var files embed.FS

// Policy is the page's Content-Security-Policy: everything comes from the daemon
// itself, no script or style stands in the markup, and nobody may frame it, since a
// click on it may change what a robot does. Pictures may be data, as those of a bring-up
// are: an SVG runs no script as an image.
const Policy = "default-src 'self'; img-src 'self' data:; base-uri 'none'; " +
	"object-src 'none'; form-action 'none'; frame-ancestors 'none'"

var kinds = map[string]string{
	".html": "text/html; charset=utf-8", ".css": "text/css; charset=utf-8",
	".mjs": "text/javascript; charset=utf-8", ".svg": "image/svg+xml",
}

// file is one file as it is served. Its tag is a weak one: it is the same file, compressed
// or not.
type file struct {
	data      []byte
	kind, tag string
}

// Rooms are the addresses of the page's rooms, without the slash before them; / is the first.
var Rooms = []string{"watch", "change", "build"}

// Handler serves the page at / and at its rooms, its files under /page/, and hands calls of the services named,
// such as POST /facetd.v1.StatusService/GetStatus, to the API. It stands behind access.Gate.Guard,
// which keeps out pages of other sites and callers without a role.
func Handler(api http.Handler, services []string) (http.Handler, error) {
	mux := http.NewServeMux()
	all, err := load()
	if err != nil {
		return nil, err
	}
	for name, f := range all {
		mux.Handle("GET /page/"+name, gzhttp.GzipHandler(f))
	}
	mux.Handle("GET /{$}", gzhttp.GzipHandler(all["index.html"]))
	for _, room := range Rooms {
		mux.Handle("GET /"+room, gzhttp.GzipHandler(all["index.html"]))
	}
	for _, s := range services {
		mux.Handle("/"+s+"/", api)
	}
	return mux, nil
}

func load() (map[string]*file, error) {
	all := map[string]*file{}
	err := fs.WalkDir(files, "static", func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := files.ReadFile(p)
		if err != nil {
			return err
		}
		if _, known := kinds[path.Ext(p)]; !known {
			return fmt.Errorf("%s has no known kind", p)
		}
		all[strings.TrimPrefix(p, "static/")] = served(p, data)
		return nil
	})
	all[colours] = served(colours, tokens.CSS())
	return all, err
}

// colours is the style sheet of the colours that everything of ours shares.
const colours = "tokens.css"

func served(name string, data []byte) *file {
	sum := sha256.Sum256(data)
	return &file{data: data, kind: kinds[path.Ext(name)], tag: `W/"` + hex.EncodeToString(sum[:12]) + `"`}
}

func (f *file) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Type", f.kind)
	h.Set("Content-Security-Policy", Policy)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	// A daemon of another version may be behind the same address a moment later.
	h.Set("Cache-Control", "no-cache")
	h.Set("ETag", f.tag)
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(f.data))
}
