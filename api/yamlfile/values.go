package yamlfile

import (
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"

	"facetd.example/api/invalid"
)

// add notes an error of form at a value that can therefore not be read.
func (d *Document) add(n *yaml.Node, path, message, hint string) {
	d.unread[path] = path != ""
	d.beside(n, path, message, hint)
}

// beside notes an error of form that leaves the field as it was read elsewhere.
func (d *Document) beside(n *yaml.Node, path, message, hint string) {
	e := invalid.Error{Path: path, Message: message, Hint: hint, Line: max(n.Line, 1), Column: max(n.Column, 1)}
	d.found = append(d.found, e)
}

// maxShown limits, in characters, what an error repeats of the file; maxName, in bytes, a
// name for which a known one is looked for.
const (
	maxShown = 40
	maxName  = 100
)

// shown is a value as errors repeat it.
func shown(n *yaml.Node) string {
	if utf8.RuneCountInString(n.Value) <= maxShown+len("...") {
		return n.Value
	}
	return string([]rune(n.Value)[:maxShown]) + "..."
}

// is reports whether a value is of a kind, and notes an error where it is not.
func (d *Document) is(n *yaml.Node, path string, kind yaml.Kind) bool {
	switch {
	case n.Kind == yaml.AliasNode: // a few of them can stand for more than any memory holds
		d.add(n, path, "the file uses YAML anchors", "write the values out")
	case n.Kind == kind:
		return true
	case kind == yaml.SequenceNode:
		d.add(n, path, found(n)+" stands where a list is expected",
			"write [a, b], or each on a line of its own after a dash")
	default:
		d.add(n, path, found(n)+" stands where a single value is expected", "write one value, without brackets")
	}
	return false
}

// found is what a value is, for people.
func found(n *yaml.Node) string {
	switch {
	case n.Kind == yaml.SequenceNode:
		return "a list"
	case n.Kind == yaml.MappingNode:
		return "a set of fields"
	case isNull(n) || n.Value == "":
		return "nothing"
	}
	return fmt.Sprintf("the value %q", shown(n))
}

// isMapping reports whether a value has fields, and notes an error that shows how they are written where it has none.
func (d *Document) isMapping(n *yaml.Node, path string, known []string) bool {
	if n.Kind == yaml.MappingNode || n.Kind == yaml.AliasNode {
		return d.is(n, path, yaml.MappingNode)
	}
	hint := "write name: value"
	if len(known) > 0 {
		hint = fmt.Sprintf("write {%s: ...}; %s", known[0], invalid.Known(known))
	}
	d.add(n, path, found(n)+" stands where fields are expected", hint)
	return false
}

// items calls read with every item of a list. A single value where a list belongs is an
// error, and read as the one item of it.
func (d *Document) items(n *yaml.Node, path string, read func(n *yaml.Node, path string)) {
	items := n.Content
	if !d.is(n, path, yaml.SequenceNode) {
		if n.Kind == yaml.AliasNode {
			return
		}
		items = []*yaml.Node{n}
	}
	for i, item := range items {
		read(item, invalid.Index(path, i))
	}
}

// fields calls read with every field of a mapping and its number among those known. A
// field that is not known but nearly so is an error, and read as the one that was meant.
func (d *Document) fields(n *yaml.Node, path string, known []string, read func(i int, n *yaml.Node, path string)) {
	if !d.isMapping(n, path, known) {
		return
	}
	lines := make([]int, len(known)) // where each was given
	number := func(key string) int {
		if i := slices.Index(known, key); i >= 0 {
			return i
		}
		return slices.Index(known, snake(key))
	}
	var strange []int
	visit := func(at, i int) {
		key := n.Content[at]
		if lines[i] > 0 {
			again := fmt.Sprintf("is given twice, the first time on line %d", lines[i])
			d.beside(key, invalid.Join(path, known[i]), again, "leave one of them out")
			return
		}
		lines[i] = max(key.Line, 1)
		read(i, n.Content[at+1], invalid.Join(path, known[i]))
	}
	for at := 0; at+1 < len(n.Content); at += 2 {
		key := n.Content[at]
		switch i := number(key.Value); {
		case key.Kind == yaml.AliasNode: // its value is the anchor's name
			d.is(key, path, yaml.ScalarNode)
		case key.Kind != yaml.ScalarNode:
			d.add(key, path, "a name belongs here", "write it as name: value")
		case i >= 0:
			visit(at, i)
		default:
			strange = append(strange, at)
		}
	}
	for _, at := range strange {
		key := n.Content[at]
		hint := invalid.Known(known)
		meant := ""
		if len(key.Value) <= maxName {
			meant = invalid.Nearest(key.Value, known)
		}
		if meant != "" {
			hint = fmt.Sprintf("did you mean %q? %s", meant, hint)
		}
		d.add(key, invalid.Join(path, shown(key)), fmt.Sprintf("there is no field %q here", shown(key)), hint)
		if i := slices.Index(known, meant); i >= 0 && lines[i] == 0 {
			key.Value = meant // so that errors below it are found by their paths
			visit(at, i)
		}
	}
}

func (d *Document) text(n *yaml.Node, path string) (string, bool) {
	if isNull(n) {
		return "", true
	}
	return n.Value, d.is(n, path, yaml.ScalarNode)
}

func (d *Document) boolean(n *yaml.Node, path string) (value, ok bool) {
	if !d.is(n, path, yaml.ScalarNode) {
		return false, false
	}
	if (n.Value != "true" && n.Value != "false") || quoted(n) {
		d.add(n, path, fmt.Sprintf("%q is neither true nor false", shown(n)), "write true or false")
		return false, false
	}
	return n.Value == "true", true
}

// number reads a number with a fraction. JSON writes some numbers in quotes, which only
// the schema's messages may have.
func (d *Document) number(n *yaml.Node, path string, mayQuote bool) (float64, bool) {
	if !d.is(n, path, yaml.ScalarNode) {
		return 0, false
	}
	v, err := strconv.ParseFloat(n.Value, 64)
	switch {
	case err != nil && math.IsInf(v, 0): // it was read, but is too large
		d.add(n, path, shown(n)+" is out of range", "give a number below 1.8e308")
	case err != nil || math.IsInf(v, 0) || math.IsNaN(v) || quoted(n) && !mayQuote:
		d.add(n, path, fmt.Sprintf("%q is not a number", shown(n)), "write a number, such as 0.25 or 1e-6")
	default:
		return v, true
	}
	return 0, false
}

// whole reads a whole number from least to most. It may be written as 4096, 4_096,
// 0x1000, 0o10000, 0b1000000000000 or 4.096e3, and not as 04096, which some take for octal.
func (d *Document) whole(
	n *yaml.Node, path string, least int64, most uint64, mayQuote bool,
) (signed int64, unsigned uint64, ok bool) {
	if !d.is(n, path, yaml.ScalarNode) {
		return 0, 0, false
	}
	negative, magnitude, fits, ok := wholeOf(n.Value)
	switch {
	case ok && quoted(n) && !mayQuote:
		d.add(n, path, "a number belongs here", "leave the quotes out")
	case !ok:
		d.add(n, path, fmt.Sprintf("%q is not a whole number", shown(n)),
			"write digits alone, without zeros before them")
	case !fits, negative && magnitude > uint64(-least), !negative && magnitude > most:
		d.add(n, path, shown(n)+" is out of range", fmt.Sprintf("give a whole number from %d to %d", least, most))
	case negative:
		return -int64(magnitude), 0, true
	default:
		return int64(magnitude), magnitude, true
	}
	return 0, 0, false
}

// maxExact is up to where a float64 holds every whole number.
const maxExact = 1 << 53

// wholeOf reads a whole number; it does not fit where no field could hold it.
func wholeOf(text string) (negative bool, magnitude uint64, fits, ok bool) {
	digits, negative := strings.CutPrefix(text, "-")
	if len(digits) > 1 && digits[0] == '0' && (digits[1] == '_' || digits[1] >= '0' && digits[1] <= '9') {
		return false, 0, false, false
	}
	magnitude, err := strconv.ParseUint(digits, 0, 64)
	if err == nil || errors.Is(err, strconv.ErrRange) {
		return negative, magnitude, err == nil, true
	}
	if f, err := strconv.ParseFloat(digits, 64); err == nil && f == math.Trunc(f) && f >= 0 && f <= maxExact {
		return negative, uint64(f), true, true
	}
	return false, 0, false, false
}

// finer are times of which reading would drop a part.
var finer = regexp.MustCompile(`\.(\d*[1-9]0*ns|\d{3}\d*[1-9]0*[uµμ]s|\d{6}\d*[1-9]0*ms|\d{9}\d*[1-9]0*s)`)

func (d *Document) duration(n *yaml.Node, path string) (time.Duration, bool) {
	if !d.is(n, path, yaml.ScalarNode) {
		return 0, false
	}
	v, err := time.ParseDuration(n.Value)
	switch {
	case err == nil && finer.MatchString(n.Value):
		d.add(n, path, shown(n)+" is not a whole number of nanoseconds", "round it")
		return 0, false
	case err == nil:
		return v, true
	}
	if unit := strings.TrimLeft(n.Value, "+-.0123456789"); unit != n.Value {
		if _, err := time.ParseDuration("1" + unit); err == nil && unit != "" {
			d.add(n, path, shown(n)+" is out of range", "give a time of less than 292 years")
			return 0, false
		}
	}
	d.add(n, path, fmt.Sprintf("%q is not a time", shown(n)),
		`write a number and its unit without a space, such as "500ns", "20us" or "1.5ms"`)
	return 0, false
}

// choice reads one of a few words.
func (d *Document) choice(n *yaml.Node, path string, words []string) (int, bool) {
	if !d.is(n, path, yaml.ScalarNode) {
		return 0, false
	}
	i := slices.Index(words, n.Value)
	if i < 0 {
		d.add(n, path, fmt.Sprintf("%q is not possible here", shown(n)), "use "+strings.Join(words, ", "))
	}
	return i, i >= 0
}

func quoted(n *yaml.Node) bool { return n.Style&(yaml.SingleQuotedStyle|yaml.DoubleQuotedStyle) != 0 }
