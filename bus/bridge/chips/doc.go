// Package chips simulates the chips behind the pins of a board that has none, such as the firmware built as a process.
// It knows nothing of programs and operations: it is told what happens at the pins, and when, and answers with the
// codes of what is sampled. It shares the physics of a die with the virtual bus, and nothing of how that runs segments,
// so that an error of one is not repeated by the other.
package chips
