package bringup

import "testing"

func TestSound(t *testing.T) {
	r := newRig(t, nil, 1, "")
	run := r.all(t)
	t.Log("\n" + describe(run))
}
