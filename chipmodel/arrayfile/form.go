package arrayfile

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf16"

	"go.yaml.in/yaml/v3"
	"google.golang.org/protobuf/reflect/protoreflect"

	"facetd.example/api/invalid"
)

// lineBreaks are all that YAML 1.1 ends a line with (section 5.4 of its standard).
var lineBreaks = strings.NewReplacer("\r\n", "\n", "\r", "\n", "\u0085", "\n", "\u2028", "\n", "\u2029", "\n")

// normal gives a file UTF-8 and one kind of line break. The two readers below count
// lines differently otherwise, and the schema's panics where it finds fewer.
func normal(data []byte) []byte {
	var order binary.ByteOrder
	switch {
	case bytes.HasPrefix(data, []byte{0xff, 0xfe}):
		order = binary.LittleEndian
	case bytes.HasPrefix(data, []byte{0xfe, 0xff}):
		order = binary.BigEndian
	default:
		return []byte(lineBreaks.Replace(string(data)))
	}
	units := make([]uint16, 0, len(data)/2)
	for i := 2; i+1 < len(data); i += 2 {
		units = append(units, order.Uint16(data[i:]))
	}
	return []byte(lineBreaks.Replace(string(utf16.Decode(units))))
}

// document reads the one YAML document of a file, and finds what the YAML reader
// would take in silence: a second document, a field given twice, and aliases.
func document(name string, data []byte) (*yaml.Node, invalid.Errors) {
	var root yaml.Node
	dec := yaml.NewDecoder(bytes.NewReader(data))
	if err := dec.Decode(&root); err != nil {
		if errors.Is(err, io.EOF) {
			return nil, invalid.Errors{{File: name, Message: "the file is empty", Hint: "see deploy/ for examples"}}
		}
		return nil, yamlErrors(name, err)
	}
	var second yaml.Node
	switch err := dec.Decode(&second); {
	case err == nil:
		return nil, invalid.Errors{{File: name, Line: max(second.Line, 1), Column: max(second.Column, 1),
			Message: "there is more than one document in the file", Hint: "leave out the lines ---, or make two files"}}
	case !errors.Is(err, io.EOF):
		return nil, yamlErrors(name, err)
	}
	var m invalid.Errors
	silent(&root, &m)
	return &root, placesOf(&root).locate(name, m)
}

// silent collects aliases, which can make a small file unfold to a huge one, and
// fields that are given twice, of which one would be lost.
func silent(n *yaml.Node, m *invalid.Errors) {
	walk("", n, func(path string, n *yaml.Node) {
		if n.Kind == yaml.AliasNode {
			*m = append(*m, invalid.Error{Path: path, Line: n.Line, Column: n.Column, Message: "the file uses YAML anchors", Hint: "write the values out"})
		}
		if n.Kind != yaml.MappingNode {
			return
		}
		first := map[string]int{}
		for i := 0; i+1 < len(n.Content); i += 2 {
			key := snake(n.Content[i].Value)
			if line, taken := first[key]; taken {
				*m = append(*m, invalid.Error{Path: under(path, key), Line: n.Content[i].Line, Column: n.Content[i].Column,
					Message: fmt.Sprintf("is given twice, the first time on line %d", line), Hint: "leave one of them out"})
				continue
			}
			first[key] = n.Content[i].Line
		}
	})
}

var yamlLine = regexp.MustCompile(`line (\d+): (.*)`)

func yamlErrors(name string, err error) invalid.Errors {
	one := invalid.Error{File: name, Message: strings.TrimPrefix(err.Error(), "yaml: "), Hint: "the file is not YAML"}
	if p := yamlLine.FindStringSubmatch(err.Error()); p != nil {
		one.Line, _ = strconv.Atoi(p[1])
		one.Message = p[2]
	}
	return invalid.Errors{one}
}

// schemaLine matches the head of one of the schema reader's messages; the quoted
// source lines that follow each do not match it.
var schemaLine = regexp.MustCompile(`(?m)^(?:[^\n]*?):(\d+):(\d+) (.*)$`)

// schemaErrors turns the schema reader's messages into errors with their fields,
// in an operator's words.
func schemaErrors(name string, root *yaml.Node, schema protoreflect.MessageDescriptor, err error) invalid.Errors {
	type place struct{ line, column int }
	keys, paths, values := map[place]string{}, map[place]string{}, map[place]string{}
	walk("", root, func(path string, n *yaml.Node) {
		at := place{n.Line, n.Column}
		if _, outer := paths[at]; !outer {
			paths[at], values[at] = path, n.Value
		}
		if n.Kind == yaml.MappingNode {
			for i := 0; i+1 < len(n.Content); i += 2 {
				keys[place{n.Content[i].Line, n.Content[i].Column}] = under(path, n.Content[i].Value)
			}
		}
	})
	var m invalid.Errors
	for _, p := range schemaLine.FindAllStringSubmatch(err.Error(), -1) {
		line, _ := strconv.Atoi(p[1])
		column, _ := strconv.Atoi(p[2])
		at := place{line, column}
		path := paths[at]
		if strings.HasPrefix(p[3], "unknown field") { // the place is that of its name
			path = keys[at]
		}
		message, hint := plain(p[3], values[at], path, schema)
		m = append(m, invalid.Error{File: name, Path: path, Line: line, Column: column, Message: message, Hint: hint})
	}
	if len(m) == 0 {
		m = invalid.Errors{{File: name, Message: err.Error()}}
	}
	return m
}

// plain says a message of the schema reader in an operator's words, with what to do.
func plain(message, value, path string, schema protoreflect.MessageDescriptor) (text, hint string) {
	has := func(part string) bool { return strings.Contains(message, part) }
	switch at := messageAt(schema, path); {
	case at != nil && at.FullName() == "google.protobuf.Duration":
		return fmt.Sprintf("%q is not a time", value), `write a number and its unit without a space, such as "500ns", "20us" or "1.5ms"`
	case has("unknown field"):
		name := path[strings.LastIndex(path, ".")+1:]
		return fmt.Sprintf("there is no field %q here", name), invalid.Closest(name, fieldsAt(schema, parent(path)), "field")
	case has("already set for oneof"):
		return "only one of these fields can be given: " + strings.Join(alternativesAt(schema, path), ", "), "leave the others out"
	case has("expected sequence"), has("got scalar") && has("sequence"):
		return "a list belongs here", "write [a, b], or each on a line of its own after a dash"
	case has("expected scalar"):
		return "a single value belongs here", "write one value, without brackets"
	case has("expected fields"):
		return "fields belong here", "write them as name: value"
	case has("expected bool"):
		return fmt.Sprintf("%q is neither true nor false", value), "write true or false"
	case has("invalid float") && has("out of range"), has("integer is too large"), has("integer is too small"), has("integer overflow"):
		return value + " is out of range", "give a number that the field can hold"
	case has("invalid float"):
		return fmt.Sprintf("%q is not a number", value), "write a number, such as 0.25 or 1e-6"
	case has("invalid integer"):
		return fmt.Sprintf("%q is not a whole number that the field can hold", value), "write digits alone"
	}
	return message, ""
}

// messageAt is the message that stands at a path, or nil.
func messageAt(schema protoreflect.MessageDescriptor, path string) protoreflect.MessageDescriptor {
	for _, part := range strings.Split(path, ".") {
		part, _, _ = strings.Cut(part, "[")
		if part == "" {
			continue
		}
		if schema == nil {
			return nil
		}
		field := schema.Fields().ByName(protoreflect.Name(part))
		if field == nil {
			return nil
		}
		schema = field.Message()
	}
	return schema
}

func fieldsAt(schema protoreflect.MessageDescriptor, path string) []string {
	at := messageAt(schema, path)
	if at == nil {
		return nil
	}
	names := make([]string, at.Fields().Len())
	for i := range names {
		names[i] = string(at.Fields().Get(i).Name())
	}
	return names
}

// alternativesAt lists the fields of which only one can be given beside path.
func alternativesAt(schema protoreflect.MessageDescriptor, path string) []string {
	at := messageAt(schema, parent(path))
	if at == nil {
		return nil
	}
	field := at.Fields().ByName(protoreflect.Name(snake(path[strings.LastIndex(path, ".")+1:])))
	if field == nil || field.ContainingOneof() == nil {
		return nil
	}
	of := field.ContainingOneof().Fields()
	names := make([]string, of.Len())
	for i := range names {
		names[i] = string(of.Get(i).Name())
	}
	return names
}
