package scene

import (
	"errors"
	"fmt"
	"math"
)

// ParamError says that one parameter has a value that cannot be used. All
// errors of one call are joined (errors.Join); find one with errors.As.
type ParamError struct {
	Param string // the field or parameter, such as "HorizontalFOVDeg"
	Value any    // what was given
	Want  string // what is allowed
}

func (e *ParamError) Error() string {
	return fmt.Sprintf("%s is %v, want %s", e.Param, e.Value, e.Want)
}

// checks collects the errors of one input.
type checks struct{ errs []error }

func (c *checks) that(ok bool, param string, value any, want string) bool {
	if !ok {
		c.errs = append(c.errs, &ParamError{Param: param, Value: value, Want: want})
	}
	return ok
}

// within wants a finite value in [lo, hi].
func (c *checks) within(param string, value, lo, hi float64) bool {
	return c.that(value >= lo && value <= hi, param, value, fmt.Sprintf("%g to %g", lo, hi))
}

// finite wants a number that is neither NaN nor infinite.
func (c *checks) finite(param string, value float64) bool {
	return c.that(isFinite(value), param, value, "a finite number")
}

// err returns all errors behind a prefix, or nil.
func (c *checks) err(prefix string) error {
	if len(c.errs) == 0 {
		return nil
	}
	return fmt.Errorf("%s: %w", prefix, errors.Join(c.errs...))
}

func isFinite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
