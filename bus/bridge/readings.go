package bridge

import (
	"fmt"
	"strings"

	"facetd.example/bus/bridge/wire"
)

// Reading is a supply, current or temperature that a board measures. Outside of its limits the device makes every line
// inactive.
type Reading struct {
	Name string
	// Kind is wire.ReadingVolts and so on, and Value, Low and High are in that unit.
	Kind             uint8
	Value, Low, High float64
}

// Inside reports whether it is within its limits.
func (r *Reading) Inside() bool { return r.Value >= r.Low && r.Value <= r.High }

// Unit is that of the reading, in short.
func (r *Reading) Unit() string {
	switch r.Kind {
	case wire.ReadingVolts:
		return "V"
	case wire.ReadingAmperes:
		return "A"
	case wire.ReadingCelsius:
		return "°C"
	}
	return ""
}

func (r *Reading) String() string {
	return fmt.Sprintf("%s %.4g %s, %.4g to %.4g", r.Name, r.Value, r.Unit(), r.Low, r.High)
}

// takeReading notes a reading. The caller holds mu.
func (r *record) takeReading(payload []byte) error {
	var m wire.Reading
	if _, err := wire.Take(payload, &m); err != nil {
		return err
	}
	if m.Index >= m.Count || m.Count > wire.MaxReadings {
		return fmt.Errorf("reading %d of %d", m.Index, m.Count)
	}
	const thousand = 1000
	if len(r.readings) != int(m.Count) {
		r.readings = make([]Reading, m.Count)
	} else { // who has asked for them keeps those of then
		r.readings = append([]Reading(nil), r.readings...)
	}
	name := printable(m.Name[:])
	for i, other := range r.readings { // which is told apart by them
		if name == "" || i != int(m.Index) && other.Name == name && other.Kind == m.Kind {
			name += fmt.Sprintf("#%d", m.Index)
			break
		}
	}
	r.readings[m.Index] = Reading{Name: name, Kind: m.Kind, Value: float64(m.Value) / thousand,
		Low: float64(m.Low) / thousand, High: float64(m.High) / thousand}
	return nil
}

// outside names the readings that are outside their limits, for a device in its safe state for that; "" where there are
// none. The caller holds mu.
func (r *record) outside() string {
	var out []string
	for i := range r.readings {
		if !r.readings[i].Inside() {
			out = append(out, r.readings[i].String())
		}
	}
	return strings.Join(out, "; ")
}
