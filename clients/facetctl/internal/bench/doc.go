// Package bench measures what is set right by hand on a bench: how sharp the picture of a chip is, how the light
// flickers, how chips are turned and mounted and how wide they see, what light does to their memory, and what they tell
// of a scene that rests. It is pure: it takes codes, estimates of motion and times, and returns numbers and drawings.
package bench
