// Package arrayfile reads array and task files: YAML (or JSON, which YAML
// contains) straight into the schema's messages, with every error placed by
// file, line and field.
package arrayfile

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"buf.build/go/protoyaml"
	"go.yaml.in/yaml/v3"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/chipmodel"
)

// maxBytes bounds what is read of a file: 4,096 chips take well under this.
const maxBytes = 16 << 20

// ParseArray reads and checks an array file; name stands in the errors. A file
// with errors gives all of them and no array.
func ParseArray(name string, data []byte) (*chipmodel.Array, invalid.Errors) {
	var msg facetdv1.Array
	places, m := parse(name, data, &msg)
	if len(m) > 0 {
		return nil, m
	}
	a, m := chipmodel.New(&msg)
	return a, places.locate(name, m)
}

// ParseTasks reads a task file. The tasks are as written: whether they suit an
// array is the planner's to check; its errors, whose paths begin with
// "tasks[i]", are placed by Locate.
func ParseTasks(name string, data []byte) ([]*facetdv1.Task, invalid.Errors) {
	var msg facetdv1.TaskList
	_, m := parse(name, data, &msg)
	if len(m) > 0 {
		return nil, m
	}
	if len(msg.GetTasks()) == 0 {
		m.Add("tasks", "the file has no tasks", "list at least one under tasks:")
		return nil, Locate(name, data, m)
	}
	return msg.GetTasks(), nil
}

// ParseTruth reads a file that says how a simulated array really is. It is as written;
// whether it fits an array is checked with that array.
func ParseTruth(name string, data []byte) (*facetdv1.ArrayTruth, invalid.Errors) {
	var msg facetdv1.ArrayTruth
	_, m := parse(name, data, &msg)
	return &msg, m
}

// Locate gives errors the file and the line of the field that their paths name.
func Locate(name string, data []byte, m invalid.Errors) invalid.Errors {
	var root yaml.Node
	if yaml.Unmarshal(normal(data), &root) != nil {
		return m
	}
	return placesOf(&root).locate(name, m)
}

// parse reads one YAML document into msg, or says what stands in the way.
func parse(name string, data []byte, msg proto.Message) (places, invalid.Errors) {
	var m invalid.Errors
	if len(data) > maxBytes {
		m.Add("", fmt.Sprintf("the file has %d bytes", len(data)), fmt.Sprintf("at most %d are read", maxBytes))
		m[0].File = name
		return nil, m
	}
	data = normal(data)
	root, m := document(name, data)
	if len(m) > 0 {
		return nil, m
	}
	if err := (protoyaml.UnmarshalOptions{Path: name}).Unmarshal(data, msg); err != nil {
		return nil, schemaErrors(name, root, msg.ProtoReflect().Descriptor(), err)
	}
	return placesOf(root), nil
}

// places maps field paths, such as "chips[3].lane", to where they stand.
type places map[string]*yaml.Node

func placesOf(root *yaml.Node) places {
	p := places{}
	walk("", root, func(path string, n *yaml.Node) {
		if _, seen := p[path]; !seen {
			p[path] = n
		}
		if n.Kind == yaml.MappingNode {
			for i := 0; i+1 < len(n.Content); i += 2 {
				p[under(path, snake(n.Content[i].Value))] = n.Content[i]
			}
		}
	})
	return p
}

// walk visits every value of a document with its path, outer ones first.
func walk(path string, n *yaml.Node, visit func(path string, n *yaml.Node)) {
	visit(path, n)
	switch n.Kind {
	case yaml.DocumentNode:
		for _, c := range n.Content {
			walk(path, c, visit)
		}
	case yaml.SequenceNode:
		for i, c := range n.Content {
			walk(path+"["+strconv.Itoa(i)+"]", c, visit)
		}
	case yaml.MappingNode:
		for i := 0; i+1 < len(n.Content); i += 2 {
			walk(under(path, snake(n.Content[i].Value)), n.Content[i+1], visit)
		}
	}
}

func under(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

// snake turns lowerCamelCase, which the schema also accepts, into snake_case.
func snake(s string) string {
	var b strings.Builder
	for _, r := range s {
		if r >= 'A' && r <= 'Z' {
			b.WriteByte('_')
			r += 'a' - 'A'
		}
		b.WriteRune(r)
	}
	return b.String()
}

// locate fills in file and line, from the field itself or, where it is missing,
// from the nearest field around it, unless they have a line; it sorts by place.
func (p places) locate(name string, m invalid.Errors) invalid.Errors {
	for i := range m {
		m[i].File = name
		if m[i].Line > 0 {
			continue
		}
		for path := m[i].Path; ; path = parent(path) {
			if n := p[path]; n != nil {
				m[i].Line, m[i].Column = max(n.Line, 1), max(n.Column, 1)
				break
			}
			if path == "" {
				break
			}
		}
	}
	slices.SortStableFunc(m, func(a, b invalid.Error) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	return m
}

// parent drops the last element of a path.
func parent(path string) string {
	return path[:max(strings.LastIndexAny(path, ".["), 0)]
}
