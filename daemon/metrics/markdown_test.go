package metrics

import (
	"fmt"
	"strings"
)

// markdown writes the table as a document.
func markdown() string {
	var b strings.Builder
	b.WriteString(`# Metrics

Written from the table in ` + "`table.go`" + `; do not edit (` + "`go test ./daemon/metrics -update`" + `).

facetd serves these at ` + "`/metrics`" + ` on its HTTP address, beside the usual ` + "`go_`" + ` and ` + "`process_`" + ` metrics.
Series of a task begin at zero when a timetable with the task takes effect and end when one without it does.
Rates, responses, skews and holds are in bus time; on a virtual bus in free pace that is not wall-clock time.

| metric | type | unit | labels | what it is |
|---|---|---|---|---|
`)
	for _, m := range Table() {
		labels := make([]string, len(m.Labels))
		for i, l := range m.Labels {
			labels[i] = "`" + l + "`"
			if i == len(m.Labels)-1 && len(m.Values) > 0 {
				labels[i] += ": " + strings.Join(m.Values, ", ")
			}
		}
		help := m.Help
		if len(m.Buckets) > 0 {
			help += " Buckets: " + strings.Trim(fmt.Sprint(m.Buckets), "[]") + "."
		}
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s | %s |\n", m.Name, m.Type, m.Unit, strings.Join(labels, "; "), help)
	}
	return b.String()
}
