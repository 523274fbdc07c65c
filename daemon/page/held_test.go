package page_test

import (
	"fmt"
	"strings"
	"testing"

	"facetd.example/daemon/server"
)

// TestHeldOfManyChips: of more chips than have room for a bar each a curve tells how many hold a load at once: as many
// as the bars, counted one by one, do.
func TestHeldOfManyChips(t *testing.T) {
	t.Parallel()
	const chips = 25
	d := run(t, func(c *server.Setup) {
		var list strings.Builder
		for i := range chips {
			list.WriteString(chipAt(fmt.Sprintf("eye-%02d", i), "eye", i%5, i/5))
		}
		use(t, c, fmt.Sprintf(arrayHead, "holding", `  - name: eye
    lattice: {rows: 24, columns: 24, pitch_x_um: 25}
    logarithmic: {offset_volts: 1.2, volts_per_decade: 0.1, offset_spread_volts: 0.004}
    readout: {step: 100ns, row_step: 100ns, output_resistance_ohms: 1000}
    memory: {load_row: 8us, cell_capacitance_ff: 140, switch_resistance_ohms: 9000, leak_fa: 2.5, leak_doubling_k: 9}
`, list.String()), "tasks:\n  - {name: all, target: {all: {}}, rate_hz: 2, views: [{name: whole}]}\n")
	})
	b := browse(t, d.url()+"build", 1280, 800)
	b.waitFor(`document.querySelector('#timetable-svg .tt-curve')`, patience)
	b.picture("held-curve", "#timetable")
	want := fmt.Sprintf("Up to %d of %[1]d chips hold a load at once", chips)
	if got := b.text("#timetable-svg .tt-curve title"); got != want {
		t.Errorf("the curve says %q; all are loaded at once, and then read", got)
	}
	wrong := eval[[]string](b, `import("/page/timetable.mjs").then(({heldCount}) => {
		let seed = 1;
		const random = (n) => (seed = (seed * 48271) % 2147483647) % n, out = [];
		for (let round = 0; round < 200; round++) {
			const held = new Map(Array.from({length: 1 + random(40)}, (_, i) => ["chip " + i,
				Array.from({length: 1 + random(3)}, (_, k) => { const from = 100 * k + random(50); return [from, from + 1 + random(50)]; })]));
			const steps = heldCount(held), bars = [...held.values()].flat();
			for (let at = -0.5; at < 310; at++) {
				const want = bars.filter(([from, to]) => from <= at && at < to).length, got = steps.findLast(([from]) => from <= at)?.[1] ?? 0;
				if (got !== want) out.push("round " + round + " at " + at + ": " + got + ", want " + want);
			}
		}
		return out.slice(0, 5);
	})`)
	for _, w := range wrong {
		t.Error(w)
	}
	b.noErrors()
}
