// Package acceptance holds tests of the whole: the real binaries as processes, a
// generic gRPC client against them, pictures against the scene they are of. It has
// no other code.
package acceptance
