// Package bustest helps with testing what drives a bus: Run, for one segment at a time; a recorder that notes every
// segment and its result, a player that answers from such a record and fails on anything else, a wrapper that injects
// faults before, half-way through or after a segment, one whose segments are run by a function of the test, a simulated
// remote executor with a clock, a queue and a link of its own, and a small array with operations for it.
package bustest
