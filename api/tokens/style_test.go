package tokens

import "testing"

func TestStyle(t *testing.T) {
	light, dark := Style("a{fill:var(--ink)} b{color:var(--phase-load)} c{fill:var(--bad-bg)} d{fill:var(--bad)}")
	if light != "a{fill:#1d2329} b{color:#b37800} c{fill:#fbe3e0} d{fill:#700f10}" ||
		dark != "a{fill:#e6e9ea} b{color:#fbac28} c{fill:#3a1a22} d{fill:#f7647e}" {
		t.Errorf("on light %s, on dark %s", light, dark)
	}
}
