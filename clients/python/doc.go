// Package python keeps the Python client (package facetd, in the folder facetd) in
// step with the schema, and runs its tests beside the real daemon.
//
// The client makes its message classes when it is imported, from a set of file
// descriptors (facetd/schema.binpb) that is written from the generated Go code:
//
//	go test ./clients/python -run TestSchema -update
package python
