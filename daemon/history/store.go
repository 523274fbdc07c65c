package history

import (
	"cmp"
	"maps"
	"slices"

	facetdv1 "facetd.example/api/facetd/v1"
)

// MaxSeries is how many histories are kept at once: those of the 64 tasks of a full plan, five each, and of the bus.
const MaxSeries = 384

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

// Keys are those of the histories of tasks that wanted accepts, and of the bus, in order.
func (s *Store) Keys(wanted func(task string) bool) []Key {
	keys := slices.SortedFunc(maps.Keys(s.series), order)
	return slices.DeleteFunc(keys, func(k Key) bool { return k.Task != "" && !wanted(k.Task) })
}

// Points are the steps of one history on a grid; nil where there is none any more.
func (s *Store) Points(g Grid, key Key) []Point {
	if h := s.series[key]; h != nil {
		return h.Points(g)
	}
	return nil
}

// Told is a history as it is told; nil where no step has a value.
func Told(key Key, points []Point) *facetdv1.HistorySeries {
	if r := runs(points); len(r) > 0 {
		return &facetdv1.HistorySeries{Quantity: key.Quantity, Task: key.Task, Phase: key.Phase, Runs: r}
	}
	return nil
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
