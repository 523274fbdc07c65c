package monitoring

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	dto "github.com/prometheus/client_model/go"

	"facetd.example/daemon/metrics"
)

var (
	text     = regexp.MustCompile(`"(?:[^"\\]|\\.)*"`)
	selector = regexp.MustCompile(`([a-zA-Z_:][a-zA-Z0-9_:]*)\{([^}]*)\}`)
	matcher  = regexp.MustCompile(`([a-zA-Z_]+)\s*(=~|!~|!=|=)\s*"((?:[^"\\]|\\.)*)"`)
	name     = regexp.MustCompile(`[a-zA-Z_:][a-zA-Z0-9_:]*`)
	grouping = regexp.MustCompile(`\b(?:by|without|on|ignoring|group_left|group_right)\s*\([^)]*\)`)
	duration = regexp.MustCompile(`\[[^\]]*\]`)
)

// words are what an expression may hold beside names of metrics: operators and the
// functions that are used.
var words = strings.Fields(`and or unless offset sum max min count avg topk
	rate increase changes absent histogram_quantile max_over_time clamp_min clamp_max vector time label_replace`)

// target are labels that the scrape adds.
var target = []string{"job", "instance", "le"}

// Names are what the PromQL of the rules and of the dashboard may name: do the metrics,
// labels and values exist? They know no grammar, only names, selectors and strings;
// whether an expression can be evaluated is for Prometheus to say.
type Names struct {
	table    map[string]metrics.Metric
	others   map[string]bool // of the process, and of the scrape
	recorded map[string]bool
}

// NewNames takes facetd's metrics with those of its process, and the series that
// recording rules make.
func NewNames(recorded ...string) (*Names, error) {
	n := &Names{table: map[string]metrics.Metric{}, others: map[string]bool{"up": true, "ALERTS": true}, recorded: map[string]bool{}}
	for _, m := range metrics.Table() {
		n.table[m.Name] = m
	}
	for _, r := range recorded {
		n.recorded[r] = true
	}
	families, err := metrics.New("").Registry().Gather()
	if err != nil {
		return nil, err
	}
	for _, f := range families {
		if !strings.HasPrefix(f.GetName(), "facetd_") {
			n.others[f.GetName()] = true
			if f.GetType() == dto.MetricType_SUMMARY {
				n.others[f.GetName()+"_sum"], n.others[f.GetName()+"_count"] = true, true
			}
		}
	}
	return n, nil
}

// Used returns the names of metrics and recorded series in an expression, in order,
// each once.
func (n *Names) Used(expression string) []string {
	var out []string
	bare := text.ReplaceAllString(expression, `""`)
	bare = selector.ReplaceAllString(bare, "$1")
	bare = grouping.ReplaceAllString(bare, " ")
	bare = duration.ReplaceAllString(bare, " ")
	bare = regexp.MustCompile(`\b[0-9][0-9.a-z]*`).ReplaceAllString(bare, " ")
	for _, w := range name.FindAllString(bare, -1) {
		if !slices.Contains(words, w) && !slices.Contains(out, w) {
			out = append(out, w)
		}
	}
	return out
}

// Check returns what an expression names and there is not.
func (n *Names) Check(expression string) []error {
	var wrong []error
	for _, u := range n.Used(expression) {
		if _, known := n.metric(u); !known && !n.others[u] && !n.recorded[u] {
			wrong = append(wrong, fmt.Errorf("%s is neither a metric nor a recorded series", u))
		}
	}
	for _, s := range selector.FindAllStringSubmatch(expression, -1) {
		m, known := n.metric(s[1])
		if !known {
			continue
		}
		for _, l := range matcher.FindAllStringSubmatch(s[2], -1) {
			if err := checkLabel(m, l[1], l[2], l[3]); err != nil {
				wrong = append(wrong, err)
			}
		}
	}
	return wrong
}

func checkLabel(m metrics.Metric, label, op, value string) error {
	i := slices.Index(m.Labels, label)
	switch {
	case i < 0 && slices.Contains(target, label):
	case i < 0:
		return fmt.Errorf("%s has no label %s", m.Name, label)
	case op == "=" && i == len(m.Labels)-1 && len(m.Values) > 0 && !slices.Contains(m.Values, value):
		return fmt.Errorf("%s never has %s=%q", m.Name, label, value)
	}
	return nil
}

// metric finds the metric of a series: those of a histogram have suffixes.
func (n *Names) metric(series string) (metrics.Metric, bool) {
	if m, ok := n.table[series]; ok {
		return m, true
	}
	for _, suffix := range []string{"_bucket", "_sum", "_count"} {
		if m, ok := n.table[strings.TrimSuffix(series, suffix)]; ok && m.Type == metrics.Histogram {
			return m, true
		}
	}
	return metrics.Metric{}, false
}
