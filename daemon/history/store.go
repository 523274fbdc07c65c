package history

import (
	"cmp"
	"maps"
	"slices"

	facetdv1 "facetd.example/api/facetd/v1"
)

// MaxSeries is how many histories are kept at once.
const MaxSeries = 256

// silent is for how many seconds a history that gets no values stays when there is no place for another.
const silent = 60

// Key is what a history is of.
type Key struct {
	Task     string
	Phase    facetdv1.Phase
	Quantity facetdv1.HistoryQuantity
}

// Store keeps the histories of many quantities. It is owned by one goroutine.
type Store struct {
	series  map[Key]*Series
	notKept uint64
}

// New makes an empty store.
func New() *Store { return &Store{series: map[Key]*Series{}} }

// Add adds a value that was measured in a second. Where there are too many histories, the one that got no value for
// the longest time makes place, if that is more than a minute; else the value is not kept, and counted.
func (s *Store) Add(at Second, key Key, value float64) {
	h := s.series[key]
	if h == nil {
		if len(s.series) >= MaxSeries && !s.makePlace(at) {
			s.notKept++
			return
		}
		h = &Series{newest: at}
		s.series[key] = h
	}
	h.Add(at, value)
}

func (s *Store) makePlace(now Second) bool {
	var oldest Key
	least := now - silent
	for key, h := range s.series {
		if h.newest < least || h.newest == least && order(key, oldest) < 0 {
			oldest, least = key, h.newest
		}
	}
	_, found := s.series[oldest]
	if found {
		delete(s.series, oldest)
	}
	return found
}

func order(x, y Key) int {
	return cmp.Or(cmp.Compare(x.Task, y.Task), cmp.Compare(x.Phase, y.Phase), cmp.Compare(x.Quantity, y.Quantity))
}

// NotKept is how many values found no place.
func (s *Store) NotKept() uint64 { return s.notKept }

// Get returns the histories that have a value on a grid: those of tasks that wanted accepts, and of the bus, in order.
func (s *Store) Get(g Grid, wanted func(task string) bool) []*facetdv1.HistorySeries {
	var out []*facetdv1.HistorySeries
	for _, key := range slices.SortedFunc(maps.Keys(s.series), order) {
		if key.Task != "" && !wanted(key.Task) {
			continue
		}
		if runs := runs(s.series[key].Points(g)); len(runs) > 0 {
			out = append(out, &facetdv1.HistorySeries{Quantity: key.Quantity, Task: key.Task, Phase: key.Phase,
				Runs: runs})
		}
	}
	return out
}

// runs are the steps that have values.
func runs(points []Point) []*facetdv1.HistoryRun {
	var out []*facetdv1.HistoryRun
	for i, p := range points {
		if p.Count == 0 {
			continue
		}
		if i == 0 || points[i-1].Count == 0 {
			out = append(out, &facetdv1.HistoryRun{First: uint32(i)})
		}
		r := out[len(out)-1]
		r.Means, r.Leasts, r.Mosts = append(r.Means, p.Mean), append(r.Leasts, p.Least), append(r.Mosts, p.Most)
	}
	return out
}
