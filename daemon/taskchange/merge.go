package taskchange

import (
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
)

// mostPaths is how many paths a mask may have: a few times as many as a task has fields. Each that is wrong costs an
// error with its place.
const mostPaths = 100

// Merge is a task with the fields of a mask taken from another; without a mask the other itself. A field that the other
// does not have is cleared. Neither is changed. A mask of more than mostPaths is an error by itself.
func Merge(task, from *facetdv1.Task, mask []string) (*facetdv1.Task, invalid.Errors) {
	if len(mask) == 0 {
		return from, nil
	}
	var m invalid.Errors
	if len(mask) > mostPaths {
		m.Add("update_mask.paths", fmt.Sprintf("%d are too many", len(mask)),
			fmt.Sprintf("name each field once, %d at most", mostPaths))
		return nil, m
	}
	next := proto.CloneOf(task)
	source := proto.CloneOf(from) // what is taken of it is nobody else's
	for i, path := range mask {
		if err := take(next.ProtoReflect(), source.ProtoReflect(), strings.Split(path, ".")); err != nil {
			m.Add(invalid.Index("update_mask.paths", i), fmt.Sprintf("%q: %v", path, err),
				"name fields of a task as the schema does, such as rate_hz or target.group")
		}
	}
	return next, m
}

// take sets one field from a message of the same type.
func take(to, from protoreflect.Message, path []string) error {
	fd := to.Descriptor().Fields().ByName(protoreflect.Name(path[0]))
	switch {
	case fd == nil:
		return fmt.Errorf("%s has no field %q", to.Descriptor().Name(), path[0])
	case len(path) > 1 && (fd.IsList() || fd.IsMap() || fd.Message() == nil):
		return fmt.Errorf("%s has no fields of its own that a mask can name", path[0])
	case len(path) > 1 && !from.Has(fd) && !to.Has(fd):
		return take(to.NewField(fd).Message(), from.Get(fd).Message(), path[1:]) // for its error alone
	case len(path) > 1:
		return take(to.Mutable(fd).Message(), from.Get(fd).Message(), path[1:])
	case from.Has(fd):
		to.Set(fd, from.Get(fd))
	default:
		to.Clear(fd)
	}
	return nil
}
