package api

import (
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"facetd.example/api/invalid"
)

// texts finds what is wrong with the characters of the texts of a request, whatever they mean: they come to stand in
// lists, logs and events of one line each. Paths are those of the request.
func texts(request any) error {
	m, is := request.(proto.Message)
	if !is {
		return nil
	}
	var wrong invalid.Errors
	inMessage(&wrong, "", m.ProtoReflect())
	return wrong.Err()
}

func inMessage(wrong *invalid.Errors, path string, m protoreflect.Message) {
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		at := invalid.Join(path, string(f.Name()))
		switch {
		case f.IsList() && isText(f):
			for i := range v.List().Len() {
				inValue(wrong, invalid.Index(at, i), v.List().Get(i))
			}
		case f.IsMap():
			v.Map().Range(func(k protoreflect.MapKey, v protoreflect.Value) bool {
				inValue(wrong, at, k.Value())
				inValue(wrong, at, v)
				return true
			})
		case isText(f):
			inValue(wrong, at, v)
		}
		return true
	})
}

// isText reports whether there may be texts in a field.
func isText(f protoreflect.FieldDescriptor) bool {
	return f.Kind() == protoreflect.StringKind || f.Kind() == protoreflect.MessageKind
}

func inValue(wrong *invalid.Errors, path string, v protoreflect.Value) {
	switch v := v.Interface().(type) {
	case string:
		if strings.ContainsFunc(v, invalid.Unprintable) {
			wrong.Add(path,
				"the text has line breaks or characters that control a terminal or the direction of writing",
				"write it on one line, without them")
		}
	case protoreflect.Message:
		inMessage(wrong, path, v)
	}
}
