package measure

import (
	"bytes"
	"errors"
	"fmt"
	"path"
	"strconv"
	"strings"

	"github.com/rogpeppe/go-internal/diff"
	"go.yaml.in/yaml/v3"
)

// Change is one field of an array file and the value that it is to have, as a YAML
// scalar.
type Change struct{ Path, Value string }

// errNoPlace says that a file does not allow an edit in place.
var errNoPlace = errors.New("cannot be edited in place")

// Patch changes fields of a YAML file where they stand, so that comments, order and
// everything else stay, and returns the new text with a unified diff against the old
// one. A field that is not there is put after the first plain field of the mapping that
// it belongs to, which must be there. Only plain and quoted scalars can be replaced.
// The diff is empty when nothing changes.
func Patch(name string, data []byte, changes []Change) (patched []byte, diff string, err error) {
	before := data
	for _, c := range changes {
		if data, err = patchOne(data, c); err != nil {
			return nil, "", fmt.Errorf("%s: %w", c.Path, err)
		}
	}
	return data, unified(name, before, data), nil
}

// patchOne changes one field and checks that the file then says so.
func patchOne(data []byte, c Change) ([]byte, error) {
	var root yaml.Node
	if err := yaml.Unmarshal(data, &root); err != nil {
		return nil, err
	}
	if len(root.Content) != 1 {
		return nil, errors.New("the file is empty")
	}
	dot := strings.LastIndexByte(c.Path, '.')
	parent, err := find(root.Content[0], c.Path[:max(dot, 0)])
	if err != nil {
		return nil, err
	}
	key := c.Path[dot+1:]
	if parent.Kind != yaml.MappingNode || len(parent.Content) < 2 {
		return nil, errNoPlace
	}
	lines := bytes.SplitAfter(data, []byte("\n"))
	if value := child(parent, key); value != nil {
		err = replace(lines, value, c.Value)
	} else {
		err = insert(lines, parent, key, c.Value)
	}
	if err != nil {
		return nil, err
	}
	out := bytes.Join(lines, nil)
	// What came out must say what was meant: an odd file is left alone.
	var again yaml.Node
	if err := yaml.Unmarshal(out, &again); err != nil || len(again.Content) != 1 {
		return nil, errNoPlace
	}
	got, err := find(again.Content[0], c.Path)
	if err != nil || got.Kind != yaml.ScalarNode || got.Value != c.Value {
		return nil, errNoPlace
	}
	return out, nil
}

// find follows a path such as classes[0].readout.settle.
func find(n *yaml.Node, place string) (*yaml.Node, error) {
	for _, part := range strings.FieldsFunc(place, func(r rune) bool { return r == '.' || r == '[' }) {
		if index, is := strings.CutSuffix(part, "]"); is {
			i, err := strconv.Atoi(index)
			if err != nil || n.Kind != yaml.SequenceNode || i < 0 || i >= len(n.Content) {
				return nil, fmt.Errorf("there is no element [%s]", index)
			}
			n = n.Content[i]
			continue
		}
		if n = child(n, part); n == nil {
			return nil, fmt.Errorf("there is no field %q", part)
		}
	}
	return n, nil
}

// child is the value of a key, in either spelling of its name.
func child(n *yaml.Node, key string) *yaml.Node {
	if n.Kind != yaml.MappingNode {
		return nil
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		if k := n.Content[i].Value; k == key || k == camel(key) {
			return n.Content[i+1]
		}
	}
	return nil
}

func camel(snake string) string {
	parts := strings.Split(snake, "_")
	for i := 1; i < len(parts); i++ {
		if parts[i] != "" {
			parts[i] = strings.ToUpper(parts[i][:1]) + parts[i][1:]
		}
	}
	return strings.Join(parts, "")
}

// column is the byte at which a node begins in its line: columns count runes.
func column(line []byte, n *yaml.Node) (int, error) {
	at := 0
	for i := range string(line) {
		if at++; at == n.Column {
			return i, nil
		}
	}
	return 0, errNoPlace
}

// extent is where a scalar stands in its line.
func extent(lines [][]byte, n *yaml.Node) (line, from, to int, err error) {
	line = n.Line - 1
	if n.Kind != yaml.ScalarNode || n.Anchor != "" || line < 0 || line >= len(lines) {
		return 0, 0, 0, errNoPlace
	}
	if from, err = column(lines[line], n); err != nil {
		return 0, 0, 0, err
	}
	text := n.Value
	switch n.Style &^ yaml.TaggedStyle {
	case yaml.DoubleQuotedStyle:
		text = `"` + text + `"`
	case yaml.SingleQuotedStyle:
		text = "'" + text + "'"
	}
	if !bytes.HasPrefix(lines[line][from:], []byte(text)) {
		return 0, 0, 0, errNoPlace
	}
	return line, from, from + len(text), nil
}

func replace(lines [][]byte, n *yaml.Node, value string) error {
	line, from, to, err := extent(lines, n)
	if err != nil {
		return err
	}
	lines[line] = splice(lines[line], from, to, value)
	return nil
}

func splice(b []byte, from, to int, s string) []byte {
	return append(append(append([]byte{}, b[:from]...), s...), b[to:]...)
}

// insert puts a field after the first scalar one of a mapping.
func insert(lines [][]byte, parent *yaml.Node, key, value string) error {
	for i := 0; i+1 < len(parent.Content); i += 2 {
		k, v := parent.Content[i], parent.Content[i+1]
		line, _, to, err := extent(lines, v)
		if err != nil || k.Line != v.Line {
			continue
		}
		if parent.Style&yaml.FlowStyle != 0 {
			lines[line] = splice(lines[line], to, to, ", "+key+": "+value)
			return nil
		}
		indent := strings.Repeat(" ", k.Column-1)
		if !bytes.HasSuffix(lines[line], []byte("\n")) {
			lines[line] = append(lines[line][:len(lines[line]):len(lines[line])], '\n')
		}
		lines[line] = append(lines[line][:len(lines[line]):len(lines[line])], indent+key+": "+value+"\n"...)
		return nil
	}
	return errNoPlace
}

// unified is the diff of two texts with three lines of context, in the format that the
// POSIX utility patch reads.
func unified(name string, before, after []byte) string {
	if name = path.Base(name); strings.ContainsRune(name, ' ') {
		name += "\t" // ends a name that has spaces
	}
	text := diff.Diff("a/"+name, before, "b/"+name, after)
	_, text, _ = bytes.Cut(text, []byte("\n")) // the command that it stands for
	return string(text)
}
