package bridge

import "testing"

// TestRebootsAreCounted: by the sessions that were opened, whatever broke off between them before its device was
// configured.
func TestRebootsAreCounted(t *testing.T) {
	var r record
	for _, boot := range []uint32{7, 7, 9, 9, 7} {
		r.opened(&session{boot: boot})
	}
	if r.counters.Sessions != 5 || r.counters.Reboots != 2 || r.boot != 7 {
		t.Errorf("%d sessions, %d reboots, boot %d", r.counters.Sessions, r.counters.Reboots, r.boot)
	}
}
