// Package bridgetest runs the bridge's firmware as a process, with simulated chips behind its pins, and keeps what has
// happened there. For tests only.
package bridgetest
