//go:build race

package acceptance

const raceDetector = true
