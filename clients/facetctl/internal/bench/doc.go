// Package bench measures what is set right by hand on a bench: how sharp the picture of a chip is, and how the light
// flickers. It is pure: it takes codes and times, and returns numbers and drawings.
package bench
