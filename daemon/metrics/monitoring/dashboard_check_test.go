package monitoring

import (
	"bytes"
	"encoding/json"
	"os"
	"strings"
	"testing"

	"github.com/grafana/grafana-foundation-sdk/go/cog/plugins"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"

	"facetd.example/api/golden"
	"facetd.example/daemon/metrics"
)

const file = "../../../deploy/grafana/facetd.json"

func TestFileIsFresh(t *testing.T) {
	made, err := JSON()
	if err != nil {
		t.Fatal(err)
	}
	golden.Check(t, file, made)
}

// The file as the schema of Grafana's library reads it: it knows every field and takes
// every value. Panels lie within the page and not over one another.
func TestSchema(t *testing.T) {
	plugins.RegisterDefaultPlugins() // the schemas of panels and queries
	kept, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	// through reads and writes again: a field that is not known would get lost.
	//lint:ignore SA1019 see JSON
	through := func(data []byte) (d dashboard.Dashboard, again []byte) {
		if err := json.Unmarshal(data, &d); err != nil {
			t.Fatal(err)
		}
		again, err := json.MarshalIndent(d, "", "  ")
		if err != nil {
			t.Fatal(err)
		}
		return d, append(again, '\n')
	}
	d, again := through(kept)
	if !bytes.Equal(again, kept) {
		t.Error("something of the file is not known to the schema")
	}
	if err := d.Validate(); err != nil {
		t.Error(err)
	}
	wrong := bytes.Replace(kept, []byte(`"graphTooltip"`), []byte(`"graphTip"`), 1)
	if _, again := through(wrong); bytes.Equal(again, wrong) {
		t.Error("a field that the schema does not know went through")
	}
	ids := map[uint32]bool{}
	type box struct{ x, y, w, h uint32 }
	var boxes []box
	for _, p := range d.Panels {
		id, at := uint32(0), (*dashboard.GridPos)(nil)
		if p.Panel != nil {
			id, at = *p.Panel.Id, p.Panel.GridPos
		} else {
			id, at = p.RowPanel.Id, p.RowPanel.GridPos
		}
		if ids[id] || at == nil || at.X+at.W > 24 {
			t.Fatalf("panel %d: again %v, at %v", id, ids[id], at)
		}
		ids[id] = true
		b := box{at.X, at.Y, at.W, at.H}
		for _, o := range boxes {
			if b.x < o.x+o.w && o.x < b.x+b.w && b.y < o.y+o.h && o.y < b.y+b.h {
				t.Errorf("panel %d at %v lies over another at %v", id, b, o)
			}
		}
		boxes = append(boxes, b)
	}
}

// grafana puts times in the place of the variables that are Grafana's own.
var grafana = strings.NewReplacer("$__rate_interval", "1m", "$__range", "1h", "$__interval", "15s")

// What panels name exists, each has what a reader needs, and nothing of the table is
// left out.
func TestPanels(t *testing.T) {
	names, err := NewNames()
	if err != nil {
		t.Fatal(err)
	}
	shown := map[string]bool{}
	titles := map[string]bool{}
	for _, r := range rows() {
		for i := range r.panels {
			p := &r.panels[i]
			if p.title == "" || p.unit == "" || describe(p) == "" || len(p.queries) == 0 || p.wide == 0 || p.high == 0 {
				t.Errorf("%s, %q: title, unit, description, query or size is missing", r.title, p.title)
			}
			if titles[r.title+p.title] {
				t.Errorf("%s, %q is there twice", r.title, p.title)
			}
			titles[r.title+p.title] = true
			for _, q := range p.queries {
				if q.legend == "" || !strings.Contains(q.expr, "$I") && !strings.Contains(q.expr, "$T") &&
					!strings.Contains(q.expr, "ALERTS") {
					t.Errorf("%s, %q: %q has no legend, or no choice of daemons", r.title, p.title, q.expr)
				}
				_, wrong := names.Check(grafana.Replace(expand(q.expr)))
				for _, err := range wrong {
					t.Errorf("%s, %q: %v", r.title, p.title, err)
				}
				for _, m := range metrics.Table() {
					if uses(q.expr, m) {
						shown[m.Name] = true
					}
				}
			}
		}
	}
	for _, m := range metrics.Table() {
		if !shown[m.Name] {
			t.Errorf("no panel shows %s", m.Name)
		}
	}
}

// A gauge that is shown as it is has the unit of the table.
func TestUnitsAreTheTables(t *testing.T) {
	want := map[string]string{"seconds": "s", "hertz": "hertz", "ratio": "percentunit", "bytes": "bytes",
		"volts": "volt", "amperes": "amp", "celsius": "celsius"}
	checked := 0
	for _, r := range rows() {
		for _, p := range r.panels {
			for _, q := range p.queries {
				for _, m := range metrics.Table() {
					if bare, _, _ := strings.Cut(q.expr, "{"); m.Type == metrics.Gauge && bare == m.Name &&
						m.Unit != "" {
						checked++
						if p.unit != want[m.Unit] {
							t.Errorf("%q shows %s, in %s, as %q", p.title, m.Name, m.Unit, p.unit)
						}
					}
				}
			}
		}
	}
	if checked < 10 {
		t.Errorf("only %d gauges were looked at", checked)
	}
}

func TestUses(t *testing.T) {
	hist := metrics.Metric{Name: "facetd_skew_seconds", Type: metrics.Histogram}
	gauge := metrics.Metric{Name: "facetd_streams", Type: metrics.Gauge}
	for text, want := range map[string]bool{"rate(facetd_skew_seconds_bucket[1m])": true, "facetd_skew_seconds": true,
		"facetd_skew_seconds_total": false} {
		if uses(text, hist) != want {
			t.Errorf("%s: %v", text, !want)
		}
	}
	for text, want := range map[string]bool{"facetd_streams{a=\"b\"}": true, "facetd_streams_bucket": false,
		"x - facetd_streams": true, "": false} {
		if uses(text, gauge) != want {
			t.Errorf("%s: %v", text, !want)
		}
	}
}
