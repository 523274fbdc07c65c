// Package machine tells which boot of which machine a program runs on, and reads the clock that its programs share.
package machine

import "errors"

// ErrUnknown is the error of a system whose clocks are not known here.
var ErrUnknown = errors.New("the clocks of this system are not known here")
