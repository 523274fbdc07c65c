//go:build !linux

package machine

// Boot is not known.
func Boot() string { return "" }

// Monotonic is not known: ErrUnknown.
func Monotonic() (int64, error) { return 0, ErrUnknown }

// SinceBoot is not known: ErrUnknown.
func SinceBoot() (int64, error) { return 0, ErrUnknown }
