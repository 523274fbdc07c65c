// Package arrayfile reads array and task files: YAML (or JSON, which YAML
// contains) straight into the schema's messages, with every error, of form and of
// meaning, placed by file, line and field.
package arrayfile

import (
	"fmt"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/api/yamlfile"
	"facetd.example/chipmodel"
)

// MaxTasks is how many tasks of a file are looked at; a daemon runs fewer.
const MaxTasks = 1024

// ParseArray reads and checks an array file; name is the file's name in the errors. A file with errors gives all of
// them and no array.
func ParseArray(name string, data []byte) (*chipmodel.Array, invalid.Errors) {
	return ParseArrayFor(name, data, nil)
}

// ParseArrayFor is ParseArray; check, unless it is nil, returns what is wrong with an array that is good by itself.
func ParseArrayFor(name string, data []byte, check func(*chipmodel.Array) invalid.Errors) (*chipmodel.Array,
	invalid.Errors) {
	var msg facetdv1.Array
	doc := yamlfile.Parse(name, data)
	doc.Message(&msg)
	a, m := chipmodel.New(&msg)
	if len(m) == 0 && check != nil {
		m = check(a)
	}
	if m = doc.Errors(m); len(m) > 0 {
		return nil, m
	}
	return a, nil
}

// ParseTasks reads a file of tasks. Whether they suit an array is for the planner to say: check, unless it is nil,
// returns what is wrong with their meaning, with paths that begin with "tasks[i]".
func ParseTasks(
	name string, data []byte, check func([]*facetdv1.Task) invalid.Errors,
) ([]*facetdv1.Task, invalid.Errors) {
	var msg facetdv1.TaskList
	var m invalid.Errors
	doc := yamlfile.Parse(name, data)
	doc.Message(&msg)
	switch n := len(msg.GetTasks()); {
	case n == 0:
		m.Add("tasks", "the file has no tasks", "list at least one under tasks:")
	case n > MaxTasks:
		m.Add("tasks", fmt.Sprintf("%d tasks are too many", n), fmt.Sprintf("at most %d are read", MaxTasks))
	case check != nil:
		m = check(msg.GetTasks())
	}
	if m = doc.Errors(m); len(m) > 0 {
		return nil, m
	}
	return msg.GetTasks(), nil
}

// ParseGroundTruth reads a file that says how a simulated array really is; check returns what is wrong with its
// meaning.
func ParseGroundTruth(name string, data []byte, check func(*facetdv1.GroundTruth) invalid.Errors) invalid.Errors {
	var msg facetdv1.GroundTruth
	doc := yamlfile.Parse(name, data)
	doc.Message(&msg)
	return doc.Errors(check(&msg))
}

// ParseBoard reads and checks a description of a board.
func ParseBoard(name string, data []byte) (*chipmodel.Board, invalid.Errors) {
	var board chipmodel.Board
	doc := yamlfile.Parse(name, data)
	doc.Struct(&board)
	if m := doc.Errors(board.Validate()); len(m) > 0 {
		return nil, m
	}
	return &board, nil
}
