//go:build race

package page_test

// Under the race detector the simulated chips of the demo are slower than real time, and
// the page rightly marks every picture as stale. It has no goroutines of its own; the API
// over HTTP is tested under the detector in package api.
const raceDetector = true
