package main

import (
	"bytes"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"strings"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/tokens"
)

// bringupHTML is the report of a run as one page that needs nothing else: it works
// without a network, on light and dark ground, and printed.
func bringupHTML(run *facetdv1.BringupRun) ([]byte, error) {
	var b bytes.Buffer
	if err := bringupPage.Execute(&b, run); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// embedded embeds a picture; a page shows it as an image, in which nothing runs.
func embedded(p *facetdv1.BringupPicture) template.URL {
	kind := "image/png"
	if p.GetMediaType() == "image/svg+xml" {
		kind = p.GetMediaType()
	}
	return template.URL("data:" + kind + ";base64," + base64.StdEncoding.EncodeToString(p.GetData()))
}

var bringupPage = template.Must(template.New("page").Funcs(template.FuncMap{
	"step":     bringupName,
	"verdict":  func(v facetdv1.Verdict) string { return cli.Label(v, "VERDICT_") },
	"mark":     verdictMark,
	"value":    func(m *facetdv1.BringupMeasurement) string { return quantity(m.GetValue(), m.GetUnit()) },
	"limits":   limits,
	"picture":  embedded,
	"title":    func(s facetdv1.BringupStep) string { return bringupTitles[bringupName(s)] },
	"diffkind": diffKind,
	"lines":    func(s string) []string { return strings.Split(strings.TrimSuffix(s, "\n"), "\n") },
	"answered": func(a *facetdv1.BringupAnswer) string {
		switch {
		case a.GetAssumed():
			return "assumed"
		case a.GetProceed():
			return "yes"
		}
		return "no"
	},
	"us": func(ns int64) string { return fmt.Sprintf("%.4g µs", float64(ns)/1000) },
	"bad": func(r *facetdv1.BringupResult) bool {
		return r.GetVerdict() == facetdv1.Verdict_VERDICT_FAIL || r.GetVerdict() == facetdv1.Verdict_VERDICT_WARN
	},
	"took": func(r *facetdv1.BringupResult) string { return cli.NS(r.GetEndBusNs() - r.GetStartBusNs()) },
}).Parse(strings.Replace(bringupTemplate, "/* colours */", tokens.Themed(bringupColours), 1)))

// bringupColours are what the styles of the report call the shared colours. What passed has no colour of a state.
const bringupColours = ":root { color-scheme: light dark; --ink: var(--ink); --ground: var(--bg); " +
	"--soft: var(--sunken); --rule: var(--line); --pass: var(--ink); --warn: var(--warn); --fail: var(--bad); " +
	"--skipped: var(--muted); --accent: var(--accent) }"

// verdictMark stands beside a verdict, so that it does not depend on colour alone.
func verdictMark(v facetdv1.Verdict) string {
	switch v {
	case facetdv1.Verdict_VERDICT_PASS:
		return "✓"
	case facetdv1.Verdict_VERDICT_WARN:
		return "!"
	case facetdv1.Verdict_VERDICT_FAIL:
		return "✗"
	}
	return "–"
}

// diffKind is the class of a line of a diff.
func diffKind(line string) string {
	switch {
	case strings.HasPrefix(line, "+++"), strings.HasPrefix(line, "---"), strings.HasPrefix(line, "@@"):
		return "head"
	case strings.HasPrefix(line, "+"):
		return "plus"
	case strings.HasPrefix(line, "-"):
		return "minus"
	}
	return ""
}

var bringupTitles = map[string]string{
	"supplies": "Supplies and idle lanes", "selects": "Select lines", "levels": "Every chip alone",
	"dark": "Dark frames",
	"flat": "Flat frames", "settling": "Settling times", "converters": "First conversions", "hold": "Hold times",
	"trim": "Gain, offset and bias", "order": "Order of pixels", "skew": "Loading together",
}

//go:embed bringup.html
var bringupTemplate string
