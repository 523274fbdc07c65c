// Package shallow copies messages without what they point to.
package shallow

import (
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// Without returns a copy of a message that lacks a field. What the other fields point to
// is shared: neither copy nor original may be changed there.
func Without[M proto.Message](m M, field protoreflect.Name) M {
	from := m.ProtoReflect()
	to := from.New()
	from.Range(func(d protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		if d.Name() != field {
			to.Set(d, v)
		}
		return true
	})
	return to.Interface().(M)
}
