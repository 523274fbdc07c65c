// Package wiring designs which select lines an array's chips are wired to.
//
// Which groups of chips one command can reach at once is decided when the boards
// are wired. Given the groups that will be commanded and how often, Design looks
// for the wiring under which they need fewest select words, and FewestLines for
// the fewest lines on which each of them is one word. Every chip stays readable by
// itself: no two chips of a lane have the same wires. Map draws the result to
// solder from.
//
// Small cases are searched exhaustively and the answer is proved. Large ones start
// from known families (Steiner triple systems, grid coordinates, lexicographic
// subsets, private lines) and are improved by a seeded local search; they come
// with a lower bound. The same specification always gives the same wiring.
package wiring
