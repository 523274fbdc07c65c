package page_test

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"facetd.example/daemon/server"
)

// head of the arrays that the tests make: lines of a grid of 8 by 8, and two lanes.
const arrayHead = `name: %s
select_lines: [x0, x1, x2, x3, x4, x5, x6, x7, y0, y1, y2, y3, y4, y5, y6, y7]
timing: {dead_time: 200ns, select_setup: 300ns, write: 1us, strobe: 500ns, release_limit: 20us}
lanes:
  - {name: a, line_capacitance_pf: 10, chip_capacitance_pf: 1, converter: {bits: 12, low_volts: 0.4, high_volts: 2.4,
      conversion: 200ns, sample_and_hold: true, noise_volts: 150e-6}}
  - {name: b, line_capacitance_pf: 10, chip_capacitance_pf: 1, converter: {bits: 12, low_volts: 0.4, high_volts: 2.4,
      conversion: 200ns, sample_and_hold: true, noise_volts: 150e-6}}
classes:
%schips:
%s`

// chipAt is a chip of a class on the lines of a place of the grid, in the direction of that place.
func chipAt(name, class string, x, y int) string {
	return fmt.Sprintf("  - {name: %s, class: %s, selects: [x%d, y%d], lane: %c, mount: {yaw_deg: %d, pitch_deg: %d}, "+
		"lens: {horizontal_fov_deg: 22}}\n", name, class, x, y, "ab"[y%2], 70-20*x, 70-20*y)
}

// use gives a server an array and tasks of the test's own, in files.
func use(t *testing.T, c *server.Setup, array, tasks string) {
	t.Helper()
	dir := t.TempDir()
	c.Array, c.Tasks = filepath.Join(dir, "array.yaml"), filepath.Join(dir, "tasks.yaml")
	for name, text := range map[string]string{c.Array: array, c.Tasks: tasks} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// square is an array of as many chips as asked for, a square number up to 64, a group to each row, and a task that
// reads all of them.
func square(t *testing.T, c *server.Setup, chips int, rateHz float64) {
	t.Helper()
	var list, groups strings.Builder
	rows, side := map[int][]string{}, int(math.Sqrt(float64(chips)))
	for i := range chips {
		name := fmt.Sprintf("eye-%02d", i)
		list.WriteString(chipAt(name, "eye", i%side, i/side))
		rows[i/side] = append(rows[i/side], name)
	}
	for y := range len(rows) {
		fmt.Fprintf(&groups, "  - {name: row-%d, chips: [%s]}\n", y, strings.Join(rows[y], ", "))
	}
	array := fmt.Sprintf(arrayHead, fmt.Sprintf("square-%d", chips), `  - name: eye
    lattice: {rows: 24, columns: 24, pitch_x_um: 25}
    logarithmic: {offset_volts: 1.2, volts_per_decade: 0.1, offset_spread_volts: 0.004}
    readout: {step: 100ns, row_step: 100ns, output_resistance_ohms: 1000}
`, list.String()) + "groups:\n" + groups.String()
	use(t, c, array, fmt.Sprintf("tasks:\n  - {name: all, target: {all: {}}, rate_hz: %g, views: [{name: whole}]}\n",
		rateHz))
}
