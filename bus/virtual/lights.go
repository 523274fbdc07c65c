package virtual

import (
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/scene"
)

// remembered is for how long after a change of the scene pixels that are read follow what was before, and keptScenes
// how many scenes are kept for that: of more that come within it the oldest counts for what was before.
const (
	remembered = time.Minute
	keptScenes = 64
)

// Change is what becomes of light and temperature at a bus time.
type Change struct {
	// At is when. The light changes at exactly that time, the temperature with the first operation that begins then or
	// later.
	At bus.Time
	// Scene is the light from then on; nil keeps it.
	Scene scene.Scene
	// TemperatureOffset is by how many kelvin every die is warmer than its class says from then on; nil keeps it.
	TemperatureOffset *float64
}

// lights are the scenes of a bus.
type lights struct {
	// active are the scenes by rising times, those to come with them; the first is what was before.
	active []scene.Since
	now    bool     // the last was set for when it was set
	forget bus.Time // when only the last is needed
	warmer []Change // of temperature, to come
	lags   map[analog.Lamp]*analog.LogLag

	came    atomic.Bool // pending has some
	mu      sync.Mutex
	pending []Change
}

func newLights(s scene.Scene) lights {
	return lights{active: []scene.Since{{Scene: s}}, forget: bustime.Forever}
}

// SetScene replaces the light from now on. Like Next it may be called only on the goroutine that owns the bus.
func (b *Bus) SetScene(s scene.Scene) {
	b.undo()
	at := b.Now()
	b.addScene(scene.Since{Scene: s, At: at})
	b.lights.now = b.lights.active[len(b.lights.active)-1].At == at
	b.setLight()
}

// addScene puts a scene among the others. One that was to come later comes later still.
func (b *Bus) addScene(s scene.Since) {
	l := &b.lights
	i := len(l.active)
	for i > 1 && l.active[i-1].At > s.At {
		i--
	}
	l.active = append(l.active, scene.Since{})
	copy(l.active[i+1:], l.active[i:])
	l.active[i] = s
	l.active = append(l.active[:0], l.active[l.over(b.Now()):]...)
	l.forget = bustime.Forever
	if last := l.active[len(l.active)-1].At; last < bustime.Forever.Add(-remembered) {
		l.forget = last.Add(remembered)
	}
	l.now = false
}

// over is how many scenes need not be kept at a bus time. What is to come makes nothing that is there now older.
func (l *lights) over(now bus.Time) int {
	came := 0
	for came < len(l.active) && l.active[came].At <= now {
		came++
	}
	old := max(0, came-keptScenes)
	for old+1 < came && now.Sub(l.active[old+1].At) >= remembered {
		old++
	}
	return old
}

// showScene lets a change of the scene count from bus time at on, where the host is so far behind that what it hands
// over now begins before: whoever was told that the light has changed sees the new one.
func (b *Bus) showScene(at bus.Time) {
	l := &b.lights
	last := len(l.active) - 1
	if !l.now || last < 1 || at >= l.active[last].At {
		return
	}
	b.undo()
	l.active[last].At = max(at, l.active[last-1].At)
	b.setLight()
}

// Schedule makes a change at its time, which must not have passed. It may be called on the goroutine that owns the bus,
// and in lockstep on any as long as the Leash does not let bus time past that time meanwhile. Of two changes at one
// time the later call counts. Errors: invalid.Errors where a die would leave 150 to 500 K.
func (b *Bus) Schedule(c Change) error {
	if c.TemperatureOffset != nil {
		if err := b.checkTemperature(*c.TemperatureOffset); err != nil {
			return err
		}
	}
	b.lights.mu.Lock()
	defer b.lights.mu.Unlock()
	b.lights.schedule(c)
	b.lights.came.Store(true)
	return nil
}

// schedule keeps a change, one of each time: bus time may stand still for long, and changes come all the same.
func (l *lights) schedule(c Change) {
	for i := len(l.pending) - 1; i >= 0; i-- {
		if is := &l.pending[i]; is.At == c.At {
			if c.Scene != nil {
				is.Scene = c.Scene
			}
			if c.TemperatureOffset != nil {
				is.TemperatureOffset = c.TemperatureOffset
			}
			return
		}
	}
	l.pending = append(l.pending, c)
}

// applyChanges takes in what was scheduled before an operation that begins at a bus time.
func (b *Bus) applyChanges(at bus.Time) {
	l := &b.lights
	if at >= l.forget {
		l.active = l.active[len(l.active)-1:]
		l.forget = bustime.Forever
		b.setLight()
	}
	if l.came.Load() {
		b.takeChanges()
	}
	for len(l.warmer) > 0 && l.warmer[0].At <= at {
		b.warm(*l.warmer[0].TemperatureOffset)
		l.warmer = l.warmer[1:]
	}
}

func (b *Bus) takeChanges() {
	l := &b.lights
	l.mu.Lock()
	pending := l.pending
	l.pending = nil
	l.came.Store(false)
	l.mu.Unlock()
	lit := false
	for _, c := range pending {
		if c.Scene != nil {
			b.addScene(scene.Since{Scene: c.Scene, At: c.At})
			lit = true
		}
		if c.TemperatureOffset != nil {
			i := len(l.warmer)
			for i > 0 && l.warmer[i-1].At > c.At {
				i--
			}
			l.warmer = append(l.warmer[:i], append([]Change{c}, l.warmer[i:]...)...)
		}
	}
	if lit {
		b.setLight()
	}
}

// SetTemperatureOffset makes every die warmer than its class says by some kelvin, from now on. Like Next it is for the
// goroutine that owns the bus. Errors: invalid.Errors when a die would leave 150 to 500 K, and then nothing has
// changed.
func (b *Bus) SetTemperatureOffset(kelvin float64) error {
	if err := b.checkTemperature(kelvin); err != nil {
		return err
	}
	b.undo()
	b.warm(kelvin)
	return nil
}

func (b *Bus) checkTemperature(offset float64) error {
	var m invalid.Errors
	for i := range b.real.Chips {
		class := b.real.Chips[i].Class
		if k := class.Spec.GetTemperatureK() + offset; !(k >= 150 && k <= 500) {
			m.Add("temperature_offset_k", fmt.Sprintf("chips of class %s would have %g K", class.Name, k),
				"dies are simulated from 150 to 500 K")
			return m
		}
	}
	return nil
}

func (b *Bus) warm(kelvin float64) {
	for i := range b.chips {
		b.chips[i].die.SetKelvin(b.real.Chips[i].Class.Spec.GetTemperatureK() + kelvin)
	}
}
