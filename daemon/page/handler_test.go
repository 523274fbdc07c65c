package page_test

import (
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"facetd.example/daemon/page"
)

func TestHandler(t *testing.T) {
	called := ""
	h, err := page.Handler(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { called = r.URL.Path }), []string{"facetd.v1.StatusService"})
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
		if w.Code != 200 || w.Body.String() != string(want) || w.Header().Get("Content-Security-Policy") != page.Policy || w.Header().Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%s: %d with %v", path, w.Code, w.Header())
		}
		if again := ask("GET", path, "If-None-Match", w.Header().Get("ETag")); again.Code != 304 || again.Body.Len() != 0 {
			t.Errorf("%s a second time: %d", path, again.Code)
		}
	}
	if w := ask("GET", "/"); w.Code != 200 || !strings.Contains(w.Body.String(), "<main>") {
		t.Errorf("the page: %d", w.Code)
	}
	for _, path := range []string{"/elsewhere", "/page/", "/page/../page.go", "/facetd.v1.Other/Get"} {
		if w := ask("GET", path); w.Code == 200 {
			t.Errorf("%s is served", path)
		}
	}
	if ask("POST", "/facetd.v1.StatusService/GetStatus"); called != "/facetd.v1.StatusService/GetStatus" {
		t.Errorf("the API was called with %q", called)
	}
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
		for _, not := range []string{"innerHTML", "outerHTML", "insertAdjacentHTML", "document.write", "eval(", "new Function", "http://", "https://", "style=", "onclick=\"", "@import"} {
			if strings.Contains(text, not) {
				t.Errorf("%s has %s", f, not)
			}
		}
		if n := strings.Count(text, "\n"); n > 600 {
			t.Errorf("%s has %d lines", f, n)
		}
	}
}
