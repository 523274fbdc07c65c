package page_test

import (
	"compress/gzip"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/klauspost/compress/zstd"

	"facetd.example/daemon/page"
)

func TestHandler(t *testing.T) {
	called := ""
	api := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		called = r.URL.Path
		w.Header().Set("Content-Type", "application/json")
		_, _ = io.WriteString(w, strings.Repeat(" ", 4096))
	})
	h, err := page.Handler(api, []string{"facetd.v1.StatusService"})
	if err != nil {
		t.Fatal(err)
	}
	ask := func(method, path string, header ...string) *httptest.ResponseRecorder {
		r := httptest.NewRequest(method, path, nil)
		for i := 0; i < len(header); i += 2 {
			r.Header.Set(header[i], header[i+1])
		}
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w
	}
	files, err := filepath.Glob("static/*")
	if err != nil || len(files) < 10 {
		t.Fatalf("%d files, %v", len(files), err)
	}
	for _, f := range files {
		want, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		path := "/page/" + filepath.Base(f)
		w := ask("GET", path)
		if w.Code != 200 || w.Body.String() != string(want) ||
			w.Header().Get("Content-Security-Policy") != page.Policy ||
			w.Header().Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%s: %d with %v", path, w.Code, w.Header())
		}
		if again := ask("GET", path, "If-None-Match", w.Header().Get("ETag")); again.Code != 304 ||
			again.Body.Len() != 0 {
			t.Errorf("%s a second time: %d", path, again.Code)
		}
	}
	compressed(t, ask)
	for _, path := range append([]string{""}, page.Rooms...) {
		if w := ask("GET", "/"+path); w.Code != 200 || !strings.Contains(w.Body.String(), "<main ") {
			t.Errorf("the page at /%s: %d", path, w.Code)
		}
	}
	for _, path := range []string{"/elsewhere", "/page/", "/page/../page.go", "/facetd.v1.Other/Get"} {
		if w := ask("GET", path); w.Code == 200 {
			t.Errorf("%s is served", path)
		}
	}
	// What the API answers is its own affair: a stream must not wait in a compressor.
	w := ask("POST", "/facetd.v1.StatusService/GetStatus", "Accept-Encoding", "gzip")
	if called != "/facetd.v1.StatusService/GetStatus" || w.Header().Get("Content-Encoding") != "" ||
		w.Body.Len() != 4096 {
		t.Errorf("the API was called with %q and answered %v, %d bytes", called, w.Header(), w.Body.Len())
	}
}

// compressed checks that files come compressed to those who can read that, say so to
// caches, and are the same files.
func compressed(t *testing.T, ask func(method, path string, header ...string) *httptest.ResponseRecorder) {
	t.Helper()
	plain := ask("GET", "/page/style.css")
	if h := plain.Header(); h.Get("Content-Encoding") != "" || h.Get("Vary") != "Accept-Encoding" ||
		h.Get("ETag") == "" {
		t.Errorf("a plain file: %v", h)
	}
	for _, encoding := range []string{"gzip", "zstd"} {
		small := ask("GET", "/page/style.css", "Accept-Encoding", encoding)
		h := small.Header()
		if h.Get("Content-Encoding") != encoding || h.Get("Vary") != "Accept-Encoding" ||
			h.Get("ETag") != plain.Header().Get("ETag") ||
			h.Get("Content-Type") != plain.Header().Get("Content-Type") ||
			h.Get("Content-Security-Policy") != page.Policy {
			t.Errorf("%s: %v", encoding, h)
		}
		if small.Body.Len() > plain.Body.Len()/2 {
			t.Errorf("%s: %d bytes of %d", encoding, small.Body.Len(), plain.Body.Len())
		}
		if got := unpack(t, encoding, small.Body); got != plain.Body.String() {
			t.Errorf("%s is another file", encoding)
		}
		again := ask("GET", "/page/style.css", "Accept-Encoding", encoding, "If-None-Match", h.Get("ETag"))
		if again.Code != 304 || again.Body.Len() != 0 || again.Header().Get("Content-Encoding") != "" ||
			again.Header().Get("Vary") != "Accept-Encoding" {
			t.Errorf("%s a second time: %d, %v", encoding, again.Code, again.Header())
		}
	}
	for _, refuses := range []string{"gzip;q=0", "br"} {
		if w := ask("GET", "/page/style.css", "Accept-Encoding", refuses); w.Header().Get("Content-Encoding") != "" {
			t.Errorf("to %q: %v", refuses, w.Header())
		}
	}
	if w := ask("GET", "/page/style.css", "If-None-Match", `"another", `+plain.Header().Get("ETag")); w.Code != 304 {
		t.Errorf("one tag of several: %d", w.Code)
	}
	if w := ask("HEAD", "/page/style.css", "Accept-Encoding", "gzip"); w.Code != 200 || w.Body.Len() != 0 {
		t.Errorf("only the head: %d, %d bytes", w.Code, w.Body.Len())
	}
}

func unpack(t *testing.T, encoding string, body io.Reader) string {
	t.Helper()
	var err error
	switch encoding {
	case "gzip":
		body, err = gzip.NewReader(body)
	case "zstd":
		body, err = zstd.NewReader(body)
	}
	if err != nil {
		t.Fatal(err)
	}
	data, err := io.ReadAll(body)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// TestStaticFiles: nothing in the files reaches for another machine or makes markup of
// strings.
func TestStaticFiles(t *testing.T) {
	files, _ := filepath.Glob("static/*")
	for _, f := range files {
		data, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		text := strings.ReplaceAll(string(data), "http://www.w3.org/2000/svg", "")
		for _, not := range []string{"innerHTML", "outerHTML", "insertAdjacentHTML", "document.write", "eval(",
			"new Function", "http://", "https://", "style=", "onclick=\"", "@import"} {
			if strings.Contains(text, not) {
				t.Errorf("%s has %s", f, not)
			}
		}
		if n := strings.Count(text, "\n"); n > 600 {
			t.Errorf("%s has %d lines", f, n)
		}
	}
}
