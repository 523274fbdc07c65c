//go:build !race

package page_test

const raceDetector = false
