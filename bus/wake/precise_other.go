//go:build !linux

package wake

// Precise returns the most precise sleeper that this system has.
func Precise() Sleeper { return &Timer{} }
