// Package facetdv1 is the public schema of facetd: the array file, tasks, plans,
// frames and the gRPC services. It is the only package of this module that
// clients import. All Go in it is generated from the .proto files beside it,
// except this comment.
//
// Times on the bus are int64 nanoseconds since the bus started and carry `_ns`
// in their names; durations that a person writes (array and task files) are
// google.protobuf.Duration and may be written as "20us" in YAML.
package facetdv1
