package config

import (
	"fmt"
	"reflect"
	"strings"

	"facetd.example/api/invalid"
)

// live are the fields of the configuration that a reload can change. A field that is
// not named here keeps its value as long as the daemon runs. The array's file may be
// another if the array in it is the same.
var live = []string{"array", "tasks", "scene", "access.tls", "access.tokens", "log.level"}

// IsLive reports whether a reload can change a field, which is written as in "log.level".
func IsLive(field string) bool {
	for _, name := range live {
		if field == name || strings.HasPrefix(field, name+".") {
			return true
		}
	}
	return false
}

// FixedChanged finds the fields that differ in next and cannot change while the daemon runs.
func (c *Config) FixedChanged(next *Config) (m invalid.Errors) {
	var walk func(path string, a, b reflect.Value)
	walk = func(path string, a, b reflect.Value) {
		for i := range a.NumField() {
			f := a.Type().Field(i)
			name := f.Tag.Get("yaml")
			if name == "" || name == "-" {
				continue
			}
			name = strings.TrimPrefix(path+"."+name, ".")
			switch {
			case IsLive(name):
			case f.Type.Kind() == reflect.Struct:
				walk(name, a.Field(i), b.Field(i))
			case !reflect.DeepEqual(a.Field(i).Interface(), b.Field(i).Interface()):
				m.Add(name, fmt.Sprintf("cannot change from %q to %q while the daemon runs", fmt.Sprint(a.Field(i)), fmt.Sprint(b.Field(i))), "restart the daemon")
			}
		}
	}
	walk("", reflect.ValueOf(c).Elem(), reflect.ValueOf(next).Elem())
	return m
}
