package main

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"html/template"
	"strings"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
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
}).Parse(bringupTemplate))

// verdictMark stands beside a verdict, so that it does not hang on colour alone.
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

const bringupTemplate = `<!doctype html>
<html lang="en">
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Bring-up {{.GetId}} of {{.GetArray}}</title>
<style>
:root { color-scheme: light dark; --ink: #1d2327; --ground: #fdfdfc; --soft: #f0f1ef; --rule: #c9ccc8;
  --pass: #1a6b3c; --warn: #8a5a00; --fail: #a3231f; --skipped: #5c6570; }
@media (prefers-color-scheme: dark) { :root { --ink: #e3e6e4; --ground: #17191b; --soft: #222629; --rule: #454b50;
  --pass: #6fce96; --warn: #e9b949; --fail: #ff8f86; --skipped: #a5afb8; } }
body { font: 15px/1.5 system-ui, sans-serif; color: var(--ink); background: var(--ground); margin: 0 auto; max-width: 74rem; padding: 1rem 1.5rem 4rem; }
h1 { font-size: 1.6rem; margin-bottom: .2rem } h2 { font-size: 1.2rem; margin-top: 2.2rem; border-top: 1px solid var(--rule); padding-top: 1rem }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums } .scroll { overflow-x: auto }
th, td { text-align: left; padding: .15rem .7rem .15rem 0; border-bottom: 1px solid var(--rule); vertical-align: top } th { font-weight: 600 }
td.n { text-align: right; white-space: nowrap }
.pass { color: var(--pass) } .warn { color: var(--warn) } .fail { color: var(--fail) } .skipped, .unspecified { color: var(--skipped) }
.v { font-weight: 600; white-space: nowrap }
.caution, .act { background: var(--soft); border-left: 4px solid var(--warn); padding: .5rem 1rem; margin: 1rem 0 }
pre { background: var(--soft); padding: .7rem 1rem; overflow-x: auto; font: 13px/1.45 ui-monospace, monospace }
pre span { display: block; min-height: 1.2em } .plus { color: var(--pass) } .minus { color: var(--fail) } .head { color: var(--skipped) }
figure { display: inline-block; margin: .5rem 1rem .5rem 0; max-width: 100% } figure img { max-width: 100%; height: auto; image-rendering: pixelated }
figcaption { font-size: .85rem; max-width: 36rem } details { margin: .5rem 0 } summary { cursor: pointer }
.act p { white-space: pre-wrap; margin: .4rem 0 }
@media print { details > * { display: block } body { max-width: none } h2 { break-after: avoid } figure { break-inside: avoid } }
</style>
<h1>Bring-up of {{.GetArray}}</h1>
<p>Run {{.GetId}}, begun {{.GetStarted}}, facetd {{.GetVersion}}{{if .GetUnattended}}, unattended{{end}}{{if .GetVirtualLight}}, light set by the run (virtual array){{end}}.
Array description {{slice .GetArrayDigest 0 12}}….
{{if not .GetFinished}}<strong>Not finished.</strong>{{end}}
Worst verdict: <span class="v {{verdict .GetVerdict}}">{{mark .GetVerdict}} {{verdict .GetVerdict}}</span>.</p>
<div class="caution"><strong>Before you act on this report.</strong> Bare dies and open boards are destroyed by electrostatic discharge: wrist strap, earthed mat.
Supplies come up before biases, and biases before digital lines; no pin may be driven above its rail. Keep a current limit on every supply while anything is in doubt.
Two chips that drive one lane can destroy each other: switch off before you repair select lines. The data sheets of your parts, local rules and the judgement of
qualified people come before anything said here.</div>
<div class="scroll"><table><thead><tr><th>Step<th>Verdict<th>Summary<th>Bus time</thead>
{{range .GetResults}}<tr><td><a href="#{{step .GetStep}}">{{title .GetStep}}</a><td class="v {{verdict .GetVerdict}}">{{mark .GetVerdict}} {{verdict .GetVerdict}}<td>{{.GetSummary}}<td class="n">{{took .}}
{{end}}</table></div>
{{with .GetPatch}}<h2>Proposed changes to the array file</h2>
<p>Read them, then apply them in the folder of the array file with <code>patch -p1</code>. A measured value is true of this board, at this temperature, with these cables: measure again after rewiring.</p>
<pre>{{range lines .}}<span class="{{diffkind .}}">{{.}}</span>{{end}}</pre>{{end}}
{{range .GetResults}}<section id="{{step .GetStep}}"><h2>{{title .GetStep}}: <span class="{{verdict .GetVerdict}}">{{mark .GetVerdict}} {{verdict .GetVerdict}}</span></h2>
<p>{{.GetSummary}}</p>
{{if .GetActions}}{{if bad .}}<div class="act"><strong>What to do</strong>{{range .GetActions}}<p>{{.}}</p>{{end}}</div>{{else}}<details><summary>Notes</summary>{{range .GetActions}}<p>{{.}}</p>{{end}}</details>{{end}}{{end}}
{{range .GetPictures}}<figure><img src="{{picture .}}" alt="{{.GetTitle}}"><figcaption>{{.GetTitle}}</figcaption></figure>{{end}}
{{if .GetMeasurements}}<details {{if bad .}}open{{end}}><summary>Measurements ({{len .GetMeasurements}})</summary><div class="scroll"><table><thead><tr><th>Of<th>Measured<th>Value<th>Limits<th>Verdict<th>Note</thead>
{{range .GetMeasurements}}<tr><td>{{.GetSubject}}<td>{{.GetQuantity}}<td class="n">{{value .}}<td>{{limits .}}<td class="v {{verdict .GetVerdict}}">{{mark .GetVerdict}} {{verdict .GetVerdict}}<td>{{.GetNote}}
{{end}}</table></div></details>{{end}}
{{if .GetProposals}}<table><thead><tr><th>Field of the array file<th>Proposed<th>Now<th>Why</thead>{{range .GetProposals}}<tr><td><code>{{.GetPath}}</code><td>{{.GetValue}}<td>{{.GetCurrent}}<td>{{.GetReason}}{{end}}</table>{{end}}
</section>
{{end}}
<h2>Chips</h2>
<div class="scroll"><table><thead><tr><th>Chip<th>Settling measured<th>Left out of later steps because</thead>
{{range .GetChips}}<tr><td>{{.GetChip}}<td class="n">{{with .GetSettleNs}}{{us .}}{{end}}<td>{{.GetExcluded}}
{{end}}</table></div>
{{if .GetAnswers}}<h2>What the operator was asked</h2>
<table><thead><tr><th>Step<th>Asked<th>Answer<th>Note</thead>{{range .GetAnswers}}<tr><td>{{step .GetQuestion.GetStep}}<td>{{.GetQuestion.GetText}}<td>{{answered .}}<td>{{.GetNote}}{{end}}</table>{{end}}
</html>
`
