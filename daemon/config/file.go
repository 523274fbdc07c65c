package config

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"reflect"
	"regexp"
	"strconv"
	"strings"

	"gopkg.in/yaml.v3"

	"facetd.example/api/invalid"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/daemon/access"
)

// MaxBytes bounds a configuration file.
const MaxBytes = 1 << 20

// Parse reads a configuration file: YAML with the fields of Config, over
// Default. name stands in the errors, each with its line; the files that it
// names are beside it. Unknown fields are errors. All fields, with their defaults:
//
//	bus: virtual           # or replay:FILE[,FILE...], which brings array and tasks along
//	replay:
//	  speed: 1             # up to 1000 times; 0: as fast as possible
//	  loop: false
//	  stepped: false       # wait for the API before the first frame set
//	array: demo            # or a file
//	tasks: ""              # a file, demo or none; empty: demo with the demo array, else none
//	scene: "demo:..."      # DefaultScene
//	pace: realtime         # or free
//	seed: 1
//	stop_at: 0s            # bus time; 0s means never
//	listen:
//	  grpc: 127.0.0.1:7660 # empty means none
//	  unix: ""             # path of a socket
//	  http: 127.0.0.1:7661 # empty means none
//	access:                # for addresses that are not loopback ones
//	  loopback: free       # or checked
//	  tls:
//	    certificate: ""    # PEM files
//	    key: ""
//	    client_ca: ""
//	    crl: ""
//	    clients: {}        # common name: look or operate
//	  tokens: ""           # a file
//	log:
//	  level: info          # debug, info, warn, error
//	  format: console      # or json
func Parse(name string, data []byte) (Config, invalid.Errors) {
	c := Default()
	if len(data) > MaxBytes {
		return c, invalid.Errors{{File: name, Message: fmt.Sprintf("the file has %d bytes", len(data)), Hint: fmt.Sprintf("at most %d are read", MaxBytes)}}
	}
	dec := yaml.NewDecoder(bytes.NewReader(data))
	dec.KnownFields(true)
	err := dec.Decode(&c)
	if err == io.EOF {
		err = nil // an empty file changes nothing
	}
	if err != nil {
		return Default(), yamlErrors(name, err)
	}
	if err := dec.Decode(&yaml.Node{}); err != io.EOF {
		return Default(), invalid.Errors{{File: name, Message: "there is more than one document", Hint: "leave out the lines ---"}}
	}
	if m := c.Validate(); len(m) > 0 {
		return Default(), arrayfile.Locate(name, data, m)
	}
	c.dir, c.fileScene = filepath.Dir(name), c.Scene
	for _, path := range append([]*string{&c.Array, &c.Tasks, &c.Listen.Unix}, c.Access.Files()...) {
		*path = beside(c.dir, *path)
	}
	if files, plays := c.Recording(); plays {
		for i := range files {
			files[i] = beside(c.dir, files[i])
		}
		c.Bus = ReplayOf + strings.Join(files, ",")
	}
	return c, nil
}

var (
	yamlLine     = regexp.MustCompile(`^(?:yaml: )?line (\d+): (.*)$`)
	unknownField = regexp.MustCompile(`^field (.*) not found in type (?:config|access)\.(\w+)$`)
	wrongValue   = regexp.MustCompile("^cannot unmarshal !!(\\w+)(?: `(.*)`)? into (?:(?:config|access)\\.)?(\\w+)$")
)

// kindHints say what a field of a Go type takes.
var kindHints = map[string]string{"uint64": "write a whole number from 0 on", "string": "write one text", "float64": "write a number", "bool": "write true or false"}

// yamlErrors turns the reader's errors into errors in an operator's words.
func yamlErrors(name string, err error) invalid.Errors {
	texts := []string{err.Error()}
	var all *yaml.TypeError
	if errors.As(err, &all) {
		texts = all.Errors
	}
	var m invalid.Errors
	for _, text := range texts {
		one := invalid.Error{File: name, Message: strings.TrimPrefix(text, "yaml: ")}
		if p := yamlLine.FindStringSubmatch(text); p != nil {
			one.Line, _ = strconv.Atoi(p[1])
			one.Message = p[2]
		}
		if p := unknownField.FindStringSubmatch(one.Message); p != nil {
			one.Message = fmt.Sprintf("there is no field %q here", p[1])
			one.Hint = "known: " + strings.Join(fieldsOf(p[2]), ", ")
		} else if p := wrongValue.FindStringSubmatch(one.Message); p != nil {
			written := fmt.Sprintf("%q", p[2])
			if p[1] == "seq" || p[1] == "map" {
				written = "this"
			}
			one.Message, one.Hint = written+" is not possible here", "fields belong here"
			if hint, simple := kindHints[p[3]]; simple {
				one.Hint = hint
			}
		}
		m = append(m, one)
	}
	return m
}

// fieldsOf lists the fields of the part of the schema that a Go type stands for.
func fieldsOf(typeName string) []string {
	var names []string
	for _, t := range []reflect.Type{reflect.TypeFor[Config](), reflect.TypeFor[Replay](), reflect.TypeFor[Listen](), reflect.TypeFor[Log](), reflect.TypeFor[Calibration](),
		reflect.TypeFor[access.Settings](), reflect.TypeFor[access.TLS]()} {
		for i := range t.NumField() {
			if tag := t.Field(i).Tag.Get("yaml"); t.Name() == typeName && tag != "" && tag != "-" {
				names = append(names, tag)
			}
		}
	}
	return names
}
