// Package selectword finds the fewest select words that reach exactly a target.
//
// A chip listens under a word (a set of active select lines) while every line
// that its inputs are wired to is active: the reach of a word is the set of chips
// whose wires are a subset of it. More active lines never reach fewer chips, so a
// word may be replaced by the union of the wires of the chips it reaches without
// changing anything: only such closed words are candidates.
//
// A cover is a set of words whose reaches together are the target and touch nothing else; registers are written under
// one. A partition is a cover whose reaches are disjoint; strobes are sent under one. Finding the smallest of either is
// a set-covering problem, NP-hard in general (on a grid it is the covering or partition of a bipartite graph by
// bicliques, Orlin 1977, from memory) but small here:
//
//   - chips are merged into elements that stand or fall together,
//   - elements that no word can hold together fall apart into independent problems,
//   - the words that matter are enumerated with pruning,
//   - bounds (fooling sets, linear programming duals, matrix rank) meet a greedy
//     answer at once in most cases, and branch and bound closes the rest.
//
// Every answer carries a lower bound and says whether it is proved optimal. The search is limited by a count of steps,
// not by a clock: the same target gets the same words on any machine and under any load, and so does a plan.
package selectword
