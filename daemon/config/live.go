package config

import (
	"fmt"
	"reflect"
	"strings"

	"facetd.example/api/invalid"
	"facetd.example/api/yamlfile"
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
	after := yamlfile.Leaves(next)
	for i, l := range yamlfile.Leaves(c) {
		was, will := l.Value.Interface(), after[i].Value.Interface()
		if !IsLive(l.Path) && !reflect.DeepEqual(was, will) {
			change := fmt.Sprintf("cannot change from %q to %q while the daemon runs", fmt.Sprint(was),
				fmt.Sprint(will))
			m.Add(l.Path, change, "restart the daemon")
		}
	}
	return m
}
