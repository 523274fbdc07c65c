// Package exclusive lets one measurement at a time have the array. A probe or a bring-up
// changes registers and the light, and has it alone; those that gather levels of a
// calibration change neither, and may have it together.
package exclusive

import (
	"sync"

	"facetd.example/daemon/failure"
)

// Array is an array that is measured. The zero value is free; its methods may be called
// from any goroutine.
type Array struct {
	mu     sync.Mutex
	by     string // who has it alone, or the first of those that have it together
	shared int
}

// Claim takes the array for a measurement alone, named as in "a bring-up", until release
// is called, once. Nobody waits: the error is *failure.InProgress.
func (a *Array) Claim(by string) (release func(), err error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.by != "" {
		return nil, inProgress(a.by)
	}
	a.by = by
	return a.release, nil
}

// ClaimShared takes the array together with others that claim it shared; else as Claim.
func (a *Array) ClaimShared(by string) (release func(), err error) {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.by != "" && a.shared == 0 {
		return nil, inProgress(a.by)
	}
	if a.by == "" {
		a.by = by
	}
	a.shared++
	return a.release, nil
}

func inProgress(by string) error {
	return &failure.InProgress{Message: by + " is in progress, and one would disturb the other; retry when it finishes"}
}

func (a *Array) release() {
	a.mu.Lock()
	defer a.mu.Unlock()
	if a.shared = max(a.shared-1, 0); a.shared == 0 {
		a.by = ""
	}
}
