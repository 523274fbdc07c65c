package monitoring

import (
	"fmt"
	"slices"
	"strings"

	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/model"
	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/promql/parser"

	"facetd.example/daemon/metrics"
)

// target are labels that the scrape adds.
var target = []string{"job", "instance", "le"}

// Names are what the PromQL of the rules and of the dashboard may name: do the metrics,
// labels and values exist?
type Names struct {
	table    map[string]metrics.Metric
	others   map[string]bool // of the process, and of the scrape
	recorded map[string]bool
}

// NewNames takes facetd's metrics with those of its process, and the series that
// recording rules make.
func NewNames(recorded ...string) (*Names, error) {
	n := &Names{table: map[string]metrics.Metric{}, others: map[string]bool{"up": true, "ALERTS": true},
		recorded: map[string]bool{}}
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

// selectors are the selectors of series in an expression, in order.
func selectors(expression string) (all []*parser.VectorSelector, err error) {
	e, err := parser.NewParser(parser.Options{}).ParseExpr(expression)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", expression, err)
	}
	parser.Inspect(e, func(n parser.Node, _ []parser.Node) error {
		if s, is := n.(*parser.VectorSelector); is {
			all = append(all, s)
		}
		return nil
	})
	return all, nil
}

// Check returns how many series an expression names, and what it names and there is not.
func (n *Names) Check(expression string) (named int, wrong []error) {
	all, err := selectors(expression)
	if err != nil {
		return 0, []error{err}
	}
	for _, s := range all {
		m, known := n.metric(s.Name)
		if !known {
			if !n.others[s.Name] && !n.recorded[s.Name] {
				wrong = append(wrong, fmt.Errorf("%s is neither a metric nor a recorded series", s.Name))
			}
			continue
		}
		for _, l := range s.LabelMatchers {
			if l.Name == model.MetricNameLabel {
				continue
			}
			if err := checkLabel(m, l); err != nil {
				wrong = append(wrong, err)
			}
		}
	}
	return len(all), wrong
}

func checkLabel(m metrics.Metric, l *labels.Matcher) error {
	i := slices.Index(m.Labels, l.Name)
	switch {
	case i < 0 && slices.Contains(target, l.Name):
	case i < 0:
		return fmt.Errorf("%s has no label %s", m.Name, l.Name)
	case l.Type == labels.MatchEqual && i == len(m.Labels)-1 && len(m.Values) > 0 &&
		!slices.Contains(m.Values, l.Value):
		return fmt.Errorf("%s never has %s=%q", m.Name, l.Name, l.Value)
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
