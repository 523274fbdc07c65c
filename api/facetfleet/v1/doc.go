// Package facetfleetv1 is the schema of what goes over the hub of a fleet: the status of robots, their events, commands
// and their answers, frame sets under a lease and changes of many arrays. All Go in it is generated from the .proto
// files beside it, except this comment.
package facetfleetv1
