// Package arrayfile reads array and task files: YAML (or JSON, which YAML
// contains) straight into the schema's messages, with every error, of form and of
// meaning, placed by file, line and field.
package arrayfile

import (
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/api/yamlfile"
	"facetd.example/chipmodel"
)

// ParseArray reads and checks an array file; name stands in the errors. A file
// with errors gives all of them and no array.
func ParseArray(name string, data []byte) (*chipmodel.Array, invalid.Errors) {
	var msg facetdv1.Array
	doc := yamlfile.Parse(name, data)
	doc.Message(&msg)
	a, m := chipmodel.New(&msg)
	if m = doc.Errors(m); len(m) > 0 {
		return nil, m
	}
	return a, nil
}

// ParseTasks reads a task file. The tasks are as written: whether they suit an
// array is the planner's to check; its errors, whose paths begin with
// "tasks[i]", are placed by Locate.
func ParseTasks(name string, data []byte) ([]*facetdv1.Task, invalid.Errors) {
	var msg facetdv1.TaskList
	var m invalid.Errors
	doc := yamlfile.Parse(name, data)
	doc.Message(&msg)
	if len(msg.GetTasks()) == 0 {
		m.Add("tasks", "the file has no tasks", "list at least one under tasks:")
	}
	if m = doc.Errors(m); len(m) > 0 {
		return nil, m
	}
	return msg.GetTasks(), nil
}

// ParseTruth reads a file that says how a simulated array really is. It is as written;
// whether it fits an array is checked with that array.
func ParseTruth(name string, data []byte) (*facetdv1.ArrayTruth, invalid.Errors) {
	var msg facetdv1.ArrayTruth
	doc := yamlfile.Parse(name, data)
	doc.Message(&msg)
	return &msg, doc.Errors(nil)
}

// Locate gives errors the file and the line of the field that their paths name.
func Locate(name string, data []byte, m invalid.Errors) invalid.Errors {
	return yamlfile.Parse(name, data).Errors(m)
}
