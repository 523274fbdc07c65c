package config

import (
	"path/filepath"
	"strings"

	"facetd.example/api/invalid"
	"facetd.example/api/yamlfile"
)

// Parse reads a configuration file over Default; deploy/CONFIG.md lists the fields. name
// stands in the errors, each with its line; the files that it names are beside it. A
// file with errors gives all of them, and the default.
func Parse(name string, data []byte) (Config, invalid.Errors) {
	c, doc := Read(name, data)
	if m := doc.Errors(c.Validate()); len(m) > 0 {
		return Default(), m
	}
	return c, nil
}

// Read is Parse without the check: the document knows what is wrong with the file's form,
// and where the fields are about which Validate has something to say.
func Read(name string, data []byte) (Config, *yamlfile.Document) {
	c := Default()
	doc := yamlfile.Parse(name, data)
	doc.Struct(&c)
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
	return c, doc
}
