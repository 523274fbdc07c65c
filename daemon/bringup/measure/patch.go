package measure

import (
	"bytes"
	"errors"
	"fmt"
	"path"
	"strings"

	"github.com/rogpeppe/go-internal/diff"
	"go.yaml.in/yaml/v3"

	"facetd.example/api/yamlfile"
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
	doc := yamlfile.Parse("", data)
	if err := doc.Errors(nil).Err(); err != nil {
		return nil, err
	}
	dot := max(strings.LastIndexByte(c.Path, '.'), 0)
	parent, key := doc.Value(c.Path[:dot]), strings.TrimPrefix(c.Path[dot:], ".")
	switch {
	case doc.Empty():
		return nil, errors.New("the file is empty")
	case parent == nil:
		return nil, fmt.Errorf("there is no %s", c.Path[:dot])
	case parent.Kind != yaml.MappingNode || len(parent.Content) < 2:
		return nil, errNoPlace
	}
	var err error
	lines := bytes.SplitAfter(data, []byte("\n"))
	if value := doc.Value(c.Path); value != nil {
		err = replace(lines, value, c.Value)
	} else {
		err = insert(lines, parent, key, c.Value)
	}
	if err != nil {
		return nil, err
	}
	out := bytes.Join(lines, nil)
	// The result must say what was meant: a file written in an unusual way is left alone.
	got := yamlfile.Parse("", out).Value(c.Path)
	if got == nil || got.Kind != yaml.ScalarNode || got.Value != c.Value {
		return nil, errNoPlace
	}
	return out, nil
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
