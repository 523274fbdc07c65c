// Package yamlfile reads files of YAML, or of JSON, which YAML contains, into the
// schema's messages and into structs. It collects every error of form with its line and
// field, reads on past each, and knows where every field stands: errors of meaning that
// are found in what was read get their places too, and both are listed together.
package yamlfile

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"sort"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	"facetd.example/api/invalid"
)

const (
	// MaxBytes limits a file: one of 4,096 chips has about a million.
	MaxBytes = 4 << 20
	// MaxErrors limits the errors that are listed.
	MaxErrors = 1000
	// MaxMarks limits the values of a file, of which each takes up to 600 bytes in
	// memory: there are at most two to every mark that begins or separates values. A
	// file of 4,096 chips has about half as many.
	MaxMarks = 200_000
)

// Document is a file whose fields know their places.
type Document struct {
	name string
	// root is the outermost value, nil where the file has none that could be read.
	root   *yaml.Node
	found  invalid.Errors  // of form
	unread map[string]bool // fields that could not be read
}

// Parse reads the one document of a file; name stands in the errors. What is wrong with
// Errors reports it.
func Parse(name string, data []byte) *Document {
	d := &Document{name: name, unread: map[string]bool{}}
	if err := bounded(data); err != nil {
		d.found = invalid.Errors{*err}
		return d
	}
	first, second, err := decode(data)
	switch {
	case err != nil:
		d.notYAML(data, err)
	case second != nil:
		d.add(second, "", "there is more than one document in the file", "leave out the lines ---, or make two files")
	case first != nil && !isNull(first.Content[0]):
		d.root = first.Content[0]
	}
	return d
}

// decode reads the first two documents of a file, nil where it has fewer.
func decode(data []byte) (first, second *yaml.Node, err error) {
	dec := yaml.NewDecoder(bytes.NewReader(data))
	for _, to := range []**yaml.Node{&first, &second} {
		var n yaml.Node
		if err := dec.Decode(&n); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			return nil, nil, err
		}
		*to = &n
	}
	return first, second, nil
}

func bounded(data []byte) *invalid.Error {
	if len(data) > MaxBytes {
		return tooMany("bytes", len(data), MaxBytes)
	}
	marks := 0
	for _, mark := range []string{",", ":", "-", "?", "[", "{"} {
		marks += bytes.Count(data, []byte(mark))
	}
	if marks > MaxMarks {
		return tooMany("of the marks , : - ? [ and {", marks, MaxMarks)
	}
	return nil
}

func tooMany(what string, n, most int) *invalid.Error {
	return &invalid.Error{
		Message: fmt.Sprintf("the file has %d %s", n, what), Hint: fmt.Sprintf("at most %d are read", most),
	}
}

var (
	yamlLine = regexp.MustCompile(`^yaml: line (\d+): `)
	// parserCounts are the errors whose lines the library counts from 0.
	parserCounts = regexp.MustCompile(`^did not find expected (<|node|',')|^found (undefined|duplicate|incompatible)`)
	// misplaced are those of which it says where what they stand in begins, often far above.
	misplaced = regexp.MustCompile(`^did not find expected (key|'-' indicator)`)
)

// maxSearched limits the file in which the line of an error is searched for, in bytes: it
// is read some twenty times.
const maxSearched = 1 << 20

func (d *Document) notYAML(data []byte, err error) {
	text := plainYAML(err)
	one := invalid.Error{Line: 1, Message: text, Hint: "the file is not YAML"}
	lines := bytes.SplitAfter(bytes.TrimSuffix(data, []byte("\n")), []byte("\n"))
	p := yamlLine.FindStringSubmatch(err.Error())
	if p != nil {
		one.Line, _ = strconv.Atoi(p[1])
	}
	if misplaced.MatchString(text) {
		one.Hint = "is it indented like what it belongs to?"
	}
	switch {
	case (p == nil || misplaced.MatchString(text)) && len(data) <= maxSearched:
		// The first lines up to the one with the error have it, and fewer do not.
		one.Line = 1 + sort.Search(len(lines)-1, func(i int) bool {
			_, _, err := decode(bytes.Join(lines[:i+1], nil))
			return err != nil && plainYAML(err) == text
		})
	case parserCounts.MatchString(text):
		one.Line = min(one.Line+1, len(lines))
	}
	d.found = append(d.found, one)
}

// plainYAML is what the library says of a file, without the line.
func plainYAML(err error) string {
	text := err.Error()
	return strings.TrimPrefix(strings.TrimPrefix(text, yamlLine.FindString(text)), "yaml: ")
}

// Empty reports whether there is nothing in the file but, perhaps, comments.
func (d *Document) Empty() bool { return d.root == nil && len(d.found) == 0 }

// Has reports whether the file gives a field, such as "chips[3].lane".
func (d *Document) Has(path string) bool {
	return d.Value(path) != nil
}

// Value returns the value of a field, or nil where the file does not give it.
func (d *Document) Value(path string) *yaml.Node {
	if d.root == nil {
		return nil
	}
	_, value := find(d.root, path)
	return value
}

// Errors returns all that is wrong with the file, by place: what Message and Struct
// found, and meaning, the errors that a check of what they read found. Those about
// fields that could not be read follow from that, and are left out; those of other files
// come last, as they are.
func (d *Document) Errors(meaning invalid.Errors) invalid.Errors {
	all := slices.Clone(d.found)
	if d.root != nil || len(d.found) == 0 {
		for _, e := range meaning {
			if e.File != "" || !within(e.Path, d.unread) {
				all = append(all, e)
			}
		}
	}
	for i := range all {
		d.place(&all[i])
	}
	slices.SortStableFunc(all, func(a, b invalid.Error) int {
		switch {
		case a.File == d.name && b.File == d.name:
			return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
		case a.File == d.name:
			return -1
		case b.File == d.name:
			return 1
		}
		return 0
	})
	if more := len(all) - MaxErrors; more > 0 {
		all = append(all[:MaxErrors], invalid.Error{File: d.name, Message: fmt.Sprintf("and %d more errors", more)})
	}
	return all
}

// within reports whether a path is one of those given or lies below one.
func within(path string, given map[string]bool) bool {
	for ; path != ""; path = path[:max(strings.LastIndexAny(path, ".["), 0)] {
		if given[path] {
			return true
		}
	}
	return false
}

// place fills in the file and, unless it is known, the place of the field or, where it is
// missing, of what it belongs to.
func (d *Document) place(e *invalid.Error) {
	if e.File != "" {
		return
	}
	e.File = d.name
	if e.Line == 0 && d.root != nil {
		n, value := find(d.root, e.Path)
		e.Line, e.Column = max(n.Line, 1), max(n.Column, 1)
		if e.Message == invalid.Missing && value != nil && value.Kind == yaml.ScalarNode && !isNull(value) {
			e.Message = shown(value) + " is out of range"
		}
	}
}

// find follows a path as far as the file has it: to the name of a field, to an item of a
// list, or to the outermost value. The value is nil where the file does not have it all.
func find(root *yaml.Node, path string) (at, value *yaml.Node) {
	at, value = root, root
	for path != "" {
		if rest, is := strings.CutPrefix(path, "["); is {
			number, after, _ := strings.Cut(rest, "]")
			i, err := strconv.Atoi(number)
			if err != nil || value.Kind != yaml.SequenceNode || i < 0 || i >= len(value.Content) {
				return at, nil
			}
			value = value.Content[i]
			at, path = value, strings.TrimPrefix(after, ".")
			continue
		}
		key, of, rest := field(value, path)
		if key == nil {
			return at, nil
		}
		at, value, path = key, of, rest
	}
	return at, value
}

// field finds the field of a mapping with which a path begins. The names of a map's
// entries may have dots, so that the longest that fits counts.
func field(n *yaml.Node, path string) (key, value *yaml.Node, rest string) {
	if n.Kind != yaml.MappingNode {
		return nil, nil, ""
	}
	longest := -1
	for i := 0; i+1 < len(n.Content); i += 2 {
		name := n.Content[i].Value
		after, begins := strings.CutPrefix(path, name)
		if !begins {
			name = snake(name)
			after, begins = strings.CutPrefix(path, name)
		}
		if begins && len(name) > longest && (after == "" || after[0] == '.' || after[0] == '[') {
			longest, key, value, rest = len(name), n.Content[i], n.Content[i+1], strings.TrimPrefix(after, ".")
		}
	}
	return key, value, rest
}

// snake turns lowerCamelCase, which JSON of the schema has, into snake_case.
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

func isNull(n *yaml.Node) bool { return n.Kind == yaml.ScalarNode && n.ShortTag() == "!!null" }
