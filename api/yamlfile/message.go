package yamlfile

import (
	"fmt"
	"math"
	"strings"

	"go.yaml.in/yaml/v3"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/durationpb"
)

// Message reads the document into a message of the schema. Fields have the schema's names
// or their JSON form, durations are texts such as "20us", and of an enum's values the
// part after its own name is enough: hexagonal for ARRANGEMENT_HEXAGONAL. An empty value
// is an empty text, list or message, or an unset optional field.
func (d *Document) Message(m proto.Message) {
	r := m.ProtoReflect()
	switch {
	case d.Empty():
		d.found.Add("", "the file is empty", "known: "+strings.Join(namesOf(r.Descriptor().Fields()), ", "))
	case d.root != nil:
		d.message(d.root, "", r)
	}
}

func (d *Document) message(n *yaml.Node, path string, m protoreflect.Message) {
	fields := m.Descriptor().Fields()
	if fields.Len() == 0 && n.Kind == yaml.ScalarNode {
		d.add(n, path, "it has no fields, and no value", "write {}")
		return
	}
	d.fields(n, path, namesOf(fields), func(i int, n *yaml.Node, path string) {
		f := fields.Get(i)
		if isNull(n) && (f.HasPresence() || f.IsList()) {
			return
		}
		if one := f.ContainingOneof(); one != nil && !one.IsSynthetic() && m.WhichOneof(one) != nil {
			known := strings.Join(namesOf(one.Fields()), ", ")
			d.add(n, path, "only one of these fields can be given: "+known, "leave the others out")
			return
		}
		d.field(n, path, m, f)
	})
}

func namesOf(fields protoreflect.FieldDescriptors) []string {
	names := make([]string, fields.Len())
	for i := range names {
		names[i] = string(fields.Get(i).Name())
	}
	return names
}

func (d *Document) field(n *yaml.Node, path string, m protoreflect.Message, f protoreflect.FieldDescriptor) {
	switch {
	case f.IsList():
		list := m.Mutable(f).List()
		d.items(n, path, func(n *yaml.Node, path string) {
			v, ok := d.value(n, path, f, list.NewElement)
			if !ok { // the items after it keep their numbers
				v = list.NewElement()
			}
			list.Append(v)
		})
	default:
		if v, ok := d.value(n, path, f, func() pv { return m.NewField(f) }); ok {
			m.Set(f, v)
		}
	}
}

// pv is short for the values of messages.
type pv = protoreflect.Value

// blank makes an empty value of a field.
type blank func() pv

// value reads one value of a field.
func (d *Document) value(n *yaml.Node, path string, f protoreflect.FieldDescriptor, b blank) (pv, bool) {
	switch f.Kind() {
	case protoreflect.MessageKind, protoreflect.GroupKind:
		return d.submessage(n, path, f.Message(), b)
	case protoreflect.StringKind:
		v, ok := d.text(n, path)
		return protoreflect.ValueOfString(v), ok
	case protoreflect.BoolKind:
		v, ok := d.boolean(n, path)
		return protoreflect.ValueOfBool(v), ok
	case protoreflect.DoubleKind:
		v, ok := d.number(n, path, true)
		return protoreflect.ValueOfFloat64(v), ok
	case protoreflect.EnumKind:
		return d.enum(n, path, f.Enum())
	case protoreflect.Int32Kind, protoreflect.Sint32Kind, protoreflect.Sfixed32Kind:
		v, _, ok := d.whole(n, path, math.MinInt32, math.MaxInt32, true)
		return protoreflect.ValueOfInt32(int32(v)), ok
	case protoreflect.Int64Kind, protoreflect.Sint64Kind, protoreflect.Sfixed64Kind:
		v, _, ok := d.whole(n, path, math.MinInt64, math.MaxInt64, true)
		return protoreflect.ValueOfInt64(v), ok
	case protoreflect.Uint32Kind, protoreflect.Fixed32Kind:
		_, v, ok := d.whole(n, path, 0, math.MaxUint32, true)
		return protoreflect.ValueOfUint32(uint32(v)), ok
	case protoreflect.Uint64Kind, protoreflect.Fixed64Kind:
		_, v, ok := d.whole(n, path, 0, math.MaxUint64, true)
		return protoreflect.ValueOfUint64(v), ok
	}
	d.add(n, path, fmt.Sprintf("files cannot hold a field of kind %v", f.Kind()), "leave it out")
	return pv{}, false
}

func (d *Document) submessage(n *yaml.Node, path string, of protoreflect.MessageDescriptor, b blank) (pv, bool) {
	if of.FullName() == durationName {
		v, ok := d.duration(n, path)
		return protoreflect.ValueOfMessage(durationpb.New(v).ProtoReflect()), ok
	}
	v := b()
	d.message(n, path, v.Message())
	return v, n.Kind == yaml.MappingNode
}

var durationName = (*durationpb.Duration)(nil).ProtoReflect().Descriptor().FullName()

func (d *Document) enum(n *yaml.Node, path string, of protoreflect.EnumDescriptor) (pv, bool) {
	var words []string
	var numbers []protoreflect.EnumNumber
	for i := range of.Values().Len() {
		if v := of.Values().Get(i); v.Number() != 0 { // 0 stands for not given
			words = append(words, short(v))
			numbers = append(numbers, v.Number())
		}
	}
	if v := of.Values().ByName(protoreflect.Name(n.Value)); v != nil && v.Number() != 0 && n.Kind == yaml.ScalarNode {
		return protoreflect.ValueOfEnum(v.Number()), true
	}
	i, ok := d.choice(n, path, words)
	if !ok {
		return pv{}, false
	}
	return protoreflect.ValueOfEnum(numbers[i]), true
}

// short is the name of an enum's value without that of the enum, in lower case.
func short(v protoreflect.EnumValueDescriptor) string {
	prefix := strings.TrimPrefix(snake(string(v.Parent().Name())), "_") + "_"
	return strings.TrimPrefix(strings.ToLower(string(v.Name())), prefix)
}

// Marshal writes a message as a file that Message reads.
func Marshal(m proto.Message) ([]byte, error) {
	var out strings.Builder
	enc := yaml.NewEncoder(&out)
	enc.SetIndent(2)
	if err := enc.Encode(nodeOf(m.ProtoReflect())); err != nil {
		return nil, err
	}
	return []byte(out.String()), enc.Close()
}

func nodeOf(m protoreflect.Message) *yaml.Node {
	n := &yaml.Node{Kind: yaml.MappingNode}
	for i := range m.Descriptor().Fields().Len() {
		f := m.Descriptor().Fields().Get(i)
		if !m.Has(f) {
			continue
		}
		value := &yaml.Node{Kind: yaml.SequenceNode}
		if f.IsList() {
			for i := range m.Get(f).List().Len() {
				value.Content = append(value.Content, scalarOf(f, m.Get(f).List().Get(i)))
			}
		} else {
			value = scalarOf(f, m.Get(f))
		}
		n.Content = append(n.Content, &yaml.Node{Kind: yaml.ScalarNode, Value: string(f.Name())}, value)
	}
	return n
}

func scalarOf(f protoreflect.FieldDescriptor, v pv) *yaml.Node {
	n := &yaml.Node{Kind: yaml.ScalarNode, Value: v.String()}
	switch f.Kind() {
	case protoreflect.StringKind:
		n.SetString(n.Value)
		if strings.Contains(n.Value, "\n") { // the library's blocks lose some blanks
			n.Style = yaml.DoubleQuotedStyle
		}
	case protoreflect.EnumKind:
		if named := f.Enum().Values().ByNumber(v.Enum()); named != nil {
			n.Value = short(named)
		}
	case protoreflect.MessageKind:
		if d, is := v.Message().Interface().(*durationpb.Duration); is {
			n.Value = strings.Replace(d.AsDuration().String(), "µ", "u", 1)
		} else {
			return nodeOf(v.Message())
		}
	}
	return n
}
