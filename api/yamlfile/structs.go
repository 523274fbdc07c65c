package yamlfile

import (
	"math"
	"reflect"
	"time"

	"go.yaml.in/yaml/v3"

	"facetd.example/api/invalid"
)

// Struct reads the document into what p points to: a struct whose fields with a yaml tag
// are the fields of the file. They are texts, booleans, numbers, durations, lists, maps
// of texts, and structs of these. Fields that the file does not give keep their values;
// an empty value is an empty text, list or map.
func (d *Document) Struct(p any) {
	if d.root != nil {
		d.structure(d.root, "", reflect.ValueOf(p).Elem())
	}
}

// Leaf is a field of a struct that is itself none.
type Leaf struct {
	// Path is the field in a file, such as "log.level".
	Path  string
	Field reflect.StructField
	Of    reflect.Type // the struct that it stands in
	Value reflect.Value
}

// Leaves lists the fields of the struct that p points to, and of the structs in it.
func Leaves(p any) []Leaf { return leaves("", reflect.ValueOf(p).Elem()) }

func leaves(path string, s reflect.Value) (list []Leaf) {
	names, numbers := fieldsOf(s.Type())
	for i, name := range names {
		l := Leaf{invalid.Join(path, name), s.Type().Field(numbers[i]), s.Type(), s.Field(numbers[i])}
		if l.Value.Kind() == reflect.Struct {
			list = append(list, leaves(l.Path, l.Value)...)
		} else {
			list = append(list, l)
		}
	}
	return list
}

// fieldsOf lists the names of a struct's fields in a file, and their numbers in it.
func fieldsOf(t reflect.Type) (names []string, numbers []int) {
	for i := range t.NumField() {
		if tag := t.Field(i).Tag.Get("yaml"); tag != "" && tag != "-" {
			names, numbers = append(names, tag), append(numbers, i)
		}
	}
	return names, numbers
}

func (d *Document) structure(n *yaml.Node, path string, s reflect.Value) {
	names, numbers := fieldsOf(s.Type())
	d.fields(n, path, names, func(i int, n *yaml.Node, path string) { d.any(n, path, s.Field(numbers[i])) })
}

// any reads a value into a field of a struct.
func (d *Document) any(n *yaml.Node, path string, v reflect.Value) {
	switch kind := v.Kind(); {
	case isNull(n) && (kind == reflect.Struct || kind == reflect.Slice || kind == reflect.Map):
	case kind == reflect.Struct:
		d.structure(n, path, v)
	case kind == reflect.Slice:
		v.SetZero()
		d.items(n, path, func(n *yaml.Node, path string) {
			item := reflect.New(v.Type().Elem()).Elem()
			d.any(n, path, item)
			v.Set(reflect.Append(v, item))
		})
	case kind == reflect.Map:
		d.texts(n, path, v)
	case kind == reflect.String:
		if text, ok := d.text(n, path); ok {
			v.SetString(text)
		}
	case kind == reflect.Bool:
		if yes, ok := d.boolean(n, path); ok {
			v.SetBool(yes)
		}
	case kind == reflect.Float64:
		if x, ok := d.number(n, path, false); ok {
			v.SetFloat(x)
		}
	case v.Type() == reflect.TypeFor[time.Duration]():
		if t, ok := d.duration(n, path); ok {
			v.SetInt(int64(t))
		}
	case v.CanInt():
		most := int64(math.MaxInt64) >> (64 - v.Type().Bits())
		if x, _, ok := d.whole(n, path, -most-1, uint64(most), false); ok {
			v.SetInt(x)
		}
	default:
		if _, x, ok := d.whole(n, path, 0, math.MaxUint64>>(64-v.Type().Bits()), false); ok {
			v.SetUint(x)
		}
	}
}

// texts reads the entries of a map of texts.
func (d *Document) texts(n *yaml.Node, path string, v reflect.Value) {
	if !d.isMapping(n, path, nil) {
		return
	}
	texts := map[string]string{}
	for at := 0; at+1 < len(n.Content); at += 2 {
		key, value := n.Content[at], n.Content[at+1]
		name, ok := d.text(key, path)
		if !ok {
			continue
		}
		if _, twice := texts[name]; twice {
			d.beside(key, invalid.Join(path, name), "is given twice", "leave one of them out")
			continue
		}
		texts[name], _ = d.text(value, invalid.Join(path, name))
	}
	v.Set(reflect.ValueOf(texts))
}
