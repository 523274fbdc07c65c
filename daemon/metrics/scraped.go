package metrics

import (
	"strings"

	"github.com/prometheus/client_golang/prometheus"

	facetdv1 "facetd.example/api/facetd/v1"
)

// scraped collects what is read from the dispatcher and the streams at every
// scrape, so that it is never older than the scrape.
type scraped struct {
	m     *Metrics
	descs map[string]*prometheus.Desc
	types map[string]prometheus.ValueType
}

// scrapedNames are the metrics of the table that scraped collects.
var scrapedNames = []string{
	nameState, nameBusSeconds, namePlannedUtil, nameMeasuredUtil, nameRequestedRate, namePlannedRate, nameAchievedRate,
	nameStreams, nameDropped, nameAbandoned, nameUncertainty,
}

func newScraped(m *Metrics, table map[string]Metric) *scraped {
	s := &scraped{m: m, descs: map[string]*prometheus.Desc{}, types: map[string]prometheus.ValueType{}}
	for _, name := range scrapedNames {
		d := table[name]
		s.descs[name] = prometheus.NewDesc(d.Name, d.Help, d.Labels, nil)
		s.types[name] = prometheus.GaugeValue
		if d.Type == Counter {
			s.types[name] = prometheus.CounterValue
		}
	}
	return s
}

// Describe names every metric.
func (s *scraped) Describe(out chan<- *prometheus.Desc) {
	for _, d := range s.descs {
		out <- d
	}
}

// Collect asks the sources.
func (s *scraped) Collect(out chan<- prometheus.Metric) {
	s.m.mu.Lock()
	source := s.m.source
	s.m.mu.Unlock()
	send := func(name string, v float64, labels ...string) {
		out <- prometheus.MustNewConstMetric(s.descs[name], s.types[name], v, labels...)
	}
	if source.Snapshot != nil {
		snap := source.Snapshot()
		for _, state := range []facetdv1.State{
			facetdv1.State_STATE_STARTING, facetdv1.State_STATE_RUNNING, facetdv1.State_STATE_FAULT, facetdv1.State_STATE_STOPPING,
		} {
			send(nameState, truth(snap.State == state), strings.ToLower(strings.TrimPrefix(state.String(), "STATE_")))
		}
		send(nameBusSeconds, seconds(snap.BusNS))
		send(namePlannedUtil, snap.PlannedUtil)
		measured := 0.0
		if snap.MeasuredNS > 0 {
			measured = snap.Busy.Total().Seconds() / seconds(snap.MeasuredNS)
		}
		send(nameMeasuredUtil, measured)
		for _, t := range snap.Tasks {
			name, status := t.GetTask().GetName(), t.GetStatus()
			send(nameRequestedRate, status.GetRequestedRateHz(), name)
			send(namePlannedRate, status.GetPlannedRateHz(), name)
			send(nameAchievedRate, s.m.achieved(name, snap.BusNS), name)
		}
	}
	if source.Streams != nil {
		st := source.Streams()
		send(nameStreams, float64(st.Open))
		for policy, n := range st.Dropped {
			send(nameDropped, float64(n), policyNames[policy])
		}
		send(nameAbandoned, float64(st.Abandoned))
	}
	if source.Uncertainty != nil {
		send(nameUncertainty, source.Uncertainty().Seconds())
	}
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
