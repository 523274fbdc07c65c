package monitoring

import (
	"encoding/json"
	"fmt"
	"strings"

	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/common"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
	"github.com/grafana/grafana-foundation-sdk/go/prometheus"
	"github.com/grafana/grafana-foundation-sdk/go/stat"
	"github.com/grafana/grafana-foundation-sdk/go/timeseries"

	"facetd.example/daemon/metrics"
)

// UID is the dashboard's identity: importing it again replaces it.
const UID = "facetd-array"

// kind is how a panel shows its queries.
type kind int

const (
	lines   kind = iota // over time
	stacked             // over time, each on top of the one before
	number              // the latest value alone
)

// query is one expression. $I in it stands for the choice of instances, $T for that of
// instances and tasks.
type query struct {
	expr, legend string
	// dashed draws a line that is a limit or a wish, not a measurement.
	dashed bool
}

// limit is the value from which a color holds.
type limit struct {
	from  float64
	color string
}

// panel is one picture. Its description is about, and the table's words on each metric
// that it shows.
type panel struct {
	kind         kind
	title, about string
	unit         string // as Grafana calls it
	queries      []query
	limits       []limit // rising; what lies below the first is green
	names        map[string]stateName
	wide, high   uint32
	nameOnly     bool // a number whose legend is what matters
	fromZero     bool
	most         float64 // where the axis ends; 0 leaves it open
}

// stateName is a name and color in the place of a number.
type stateName struct{ text, color string }

// row is panels under one heading.
type row struct {
	title  string
	panels []panel
}

var source = common.DataSourceRef{Type: cog.ToPtr("prometheus"), Uid: cog.ToPtr("${datasource}")}

// expand puts the variables of the dashboard into an expression.
func expand(expr string) string {
	return strings.NewReplacer("$I", `instance=~"$instance"`, "$T",
		`instance=~"$instance", task=~"$task"`).Replace(expr)
}

// describe is the description of a panel.
func describe(p *panel) string {
	var b strings.Builder
	b.WriteString(p.about)
	for _, m := range metrics.Table() {
		for _, q := range p.queries {
			if uses(q.expr, m) {
				fmt.Fprintf(&b, "\n\n`%s`: %s", m.Name, m.Help)
				break
			}
		}
	}
	return strings.TrimSpace(b.String())
}

// uses reports whether an expression names a metric, or a series of its histogram.
func uses(expr string, m metrics.Metric) bool {
	for rest := expr; ; {
		i := strings.Index(rest, m.Name)
		if i < 0 {
			return false
		}
		rest = rest[i+len(m.Name):]
		end := strings.IndexFunc(rest, func(r rune) bool {
			return r != '_' && (r < 'a' || r > 'z') &&
				(r < '0' || r > '9')
		})
		if end < 0 {
			end = len(rest)
		}
		if end == 0 || m.Type == metrics.Histogram &&
			(rest[:end] == "_bucket" || rest[:end] == "_sum" || rest[:end] == "_count") {
			return true
		}
	}
}

// JSON is the dashboard as Grafana imports it.
func JSON() ([]byte, error) {
	//lint:ignore SA1019 the older form, which every Grafana in use imports
	b := dashboard.NewDashboardBuilder("facetd: array").Uid(UID).
		Description("A daemon that operates an array of image-sensor chips: does it keep its timetable, and what is "+
			"lost? Made by the tests of daemon/metrics/monitoring of facetd; changes made here are lost at the next "+
			"import.").
		Tags([]string{"facetd"}).Refresh("10s").Time("now-30m", "now").Timezone("browser").
		Tooltip(dashboard.DashboardCursorSyncCrosshair).
		WithVariable(dashboard.NewDatasourceVariableBuilder("datasource").Label("Prometheus").Type("prometheus")).
		WithVariable(choice("instance", "Daemon", `label_values(facetd_state, instance)`)).
		WithVariable(choice("task", "Task", expand(`label_values(facetd_task_planned_rate_hertz{$I}, task)`)))
	id := uint32(0)
	for _, r := range rows() {
		id++
		b.WithRow(dashboard.NewRowBuilder(r.title).Id(id))
		for i := range r.panels {
			id++
			b.WithPanel(r.panels[i].builder(id))
		}
	}
	built, err := b.Build()
	if err != nil {
		return nil, err
	}
	out, err := json.MarshalIndent(built, "", "  ")
	return append(out, '\n'), err
}

// choice is a variable of which several values, or all, may be chosen.
func choice(name, label, query string) *dashboard.QueryVariableBuilder {
	all := dashboard.StringOrArrayOfString{ArrayOfString: []string{"$__all"}}
	return dashboard.NewQueryVariableBuilder(name).Label(label).Datasource(source).
		Query(dashboard.StringOrMap{String: &query}).Definition(query).
		Refresh(dashboard.VariableRefreshOnTimeRangeChanged).Sort(dashboard.VariableSortAlphabeticalAsc).
		Multi(true).IncludeAll(true).AllValue(".*").
		Current(dashboard.VariableOption{Selected: cog.ToPtr(true),
			Text: dashboard.StringOrArrayOfString{ArrayOfString: []string{"All"}}, Value: all})
}

func (p *panel) builder(id uint32) cog.Builder[dashboard.Panel] {
	if p.kind == number {
		return p.number(id)
	}
	b := timeseries.NewPanelBuilder().Id(id).Title(p.title).Description(describe(p)).Datasource(source).
		Span(p.wide).Height(p.high).Unit(p.unit).Thresholds(p.thresholds()).
		LineWidth(1).ShowPoints(common.VisibilityModeNever).
		Legend(common.NewVizLegendOptionsBuilder().ShowLegend(true).DisplayMode(common.LegendDisplayModeList).Placement(common.LegendPlacementBottom)).
		Tooltip(common.NewVizTooltipOptionsBuilder().Mode(common.TooltipDisplayModeMulti))
	if p.fromZero {
		b.Min(0)
	}
	if p.most > 0 {
		b.Max(p.most)
	}
	if p.kind == stacked {
		b.FillOpacity(40).Stacking(common.NewStackingConfigBuilder().Mode(common.StackingModeNormal).Group("A"))
	}
	if len(p.limits) > 0 {
		b.ThresholdsStyle(common.NewGraphThresholdsStyleConfigBuilder().Mode(common.GraphThresholdsStyleModeDashed))
	}
	for i, q := range p.queries {
		b.WithTarget(q.target(i))
		if q.dashed {
			b.OverrideByQuery(refID(i), []dashboard.DynamicConfigValue{
				{Id: "custom.lineStyle", Value: map[string]any{"fill": "dash", "dash": []int{6, 4}}},
				{Id: "custom.stacking", Value: map[string]any{"mode": "none"}},
				{Id: "custom.fillOpacity", Value: 0},
			})
		}
	}
	return b
}

func (p *panel) number(id uint32) cog.Builder[dashboard.Panel] {
	b := stat.NewPanelBuilder().Id(id).Title(p.title).Description(describe(p)).Datasource(source).
		Span(p.wide).Height(p.high).Unit(p.unit).Thresholds(p.thresholds()).
		Orientation(common.VizOrientationAuto).GraphMode(common.BigValueGraphModeNone).ColorMode(common.BigValueColorModeValue).
		ReduceOptions(common.NewReduceDataOptionsBuilder().Calcs([]string{"lastNotNull"}))
	if p.nameOnly {
		b.TextMode(common.BigValueTextModeName)
	}
	if p.names != nil {
		named := dashboard.ValueMap{Type: "value", Options: map[string]dashboard.ValueMappingResult{}}
		for value, s := range p.names {
			named.Options[value] = dashboard.ValueMappingResult{Text: cog.ToPtr(s.text), Color: cog.ToPtr(s.color)}
		}
		b.Mappings([]dashboard.ValueMapping{{ValueMap: &named}})
	}
	for i, q := range p.queries {
		b.WithTarget(q.target(i))
	}
	return b
}

func (p *panel) thresholds() cog.Builder[dashboard.ThresholdsConfig] {
	steps := []dashboard.Threshold{{Color: "green"}} // from minus infinity
	for _, l := range p.limits {
		steps = append(steps, dashboard.Threshold{Value: cog.ToPtr(l.from), Color: l.color})
	}
	return dashboard.NewThresholdsConfigBuilder().Mode(dashboard.ThresholdsModeAbsolute).Steps(steps)
}

func (q *query) target(i int) *prometheus.DataqueryBuilder {
	return prometheus.NewDataqueryBuilder().RefId(refID(i)).Expr(expand(q.expr)).
		LegendFormat(q.legend).Range().Datasource(source)
}

func refID(i int) string { return string(rune('A' + i)) }
