package cli

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"reflect"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// RecordsCSV is a list of structs, or of messages of the schema, as CSV with every digit: a column for each field that
// is a number, a text or true or false, by its name in JSON, which says its unit; lists, pointers of structs and
// what is nested are left out. A field of a message that may be unset is empty there. It panics where records are no
// list of either.
func RecordsCSV(records any) ([]byte, error) {
	list := reflect.ValueOf(records)
	var rows [][]string
	for i := range list.Len() {
		var head, row []string
		if m, ok := list.Index(i).Interface().(proto.Message); ok {
			head, row = messageRecord(m.ProtoReflect())
		} else {
			head, row = structRecord(reflect.Indirect(list.Index(i)))
		}
		if i == 0 {
			rows = append(rows, head)
		}
		rows = append(rows, row)
	}
	var b bytes.Buffer
	err := csv.NewWriter(&b).WriteAll(rows)
	return b.Bytes(), err
}

func structRecord(v reflect.Value) (head, row []string) {
	for i := range v.NumField() {
		name, _, _ := strings.Cut(v.Type().Field(i).Tag.Get("json"), ",")
		switch v.Field(i).Kind() {
		case reflect.Slice, reflect.Map, reflect.Struct, reflect.Pointer, reflect.Interface:
			continue
		}
		if name != "" && name != "-" {
			head, row = append(head, name), append(row, fmt.Sprint(v.Field(i).Interface()))
		}
	}
	return head, row
}

func messageRecord(m protoreflect.Message) (head, row []string) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		if fd.IsList() || fd.IsMap() || fd.Message() != nil {
			continue
		}
		text := ""
		switch {
		case fd.HasPresence() && !m.Has(fd):
		case fd.Enum() != nil:
			text = string(fd.Enum().Values().ByNumber(m.Get(fd).Enum()).Name())
		default:
			text = fmt.Sprint(m.Get(fd).Interface())
		}
		head, row = append(head, string(fd.Name())), append(row, text)
	}
	return head, row
}
