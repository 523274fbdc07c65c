package main

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/api/invalid"
	"facetd.example/api/yamlfile"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/deploy"
)

// fileForm says what may stand for a file on the command line.
const fileForm = "a file, - for standard input, or demo for the built-in example"

// maxFile limits what is read of a file.
const maxFile = yamlfile.MaxBytes

// invalidError is a file with errors.
type invalidError struct {
	file string
	errs invalid.Errors
}

func (e *invalidError) Error() string {
	if len(e.errs) == 1 {
		return e.errs.Error()
	}
	return fmt.Sprintf("%s has %d errors\n%s", e.file, len(e.errs), e.errs.Error())
}

// ErrorJSON is the error as --output json prints it.
func (e *invalidError) ErrorJSON() any {
	return struct {
		Error  string         `json:"error"`
		Errors invalid.Errors `json:"errors"`
	}{e.Error(), e.errs}
}

// source is a file that was read: its name for messages, and its text.
type source struct {
	name string
	data []byte
}

// open reads a file as fileForm says; builtin is what demo stands for.
func open(stdin io.Reader, name string, builtin []byte, builtinName string) (source, error) {
	switch name {
	case "demo":
		return source{builtinName, builtin}, nil
	case "-":
		data, err := fileio.ReadFrom(stdin, "stdin", maxFile)
		return source{"stdin", data}, err
	}
	data, err := fileio.Read(name, maxFile)
	return source{name, data}, err
}

func readArray(stdin io.Reader, name string) (*chipmodel.Array, error) {
	return readArrayFor(stdin, name, nil)
}

// readArrayFor is readArray; check, unless it is nil, returns what is wrong with an array that is good by itself.
func readArrayFor(stdin io.Reader, name string, check func(*chipmodel.Array) invalid.Errors) (*chipmodel.Array,
	error) {
	s, err := open(stdin, name, deploy.CrawlerArray, "demo array.yaml")
	if err != nil {
		return nil, err
	}
	a, m := arrayfile.ParseArrayFor(s.name, s.data, check)
	if len(m) > 0 {
		return nil, &invalidError{s.name, m}
	}
	return a, nil
}

// grainHelp explains the grain of a bus.
const grainHelp = "step of the clock of the bus, to which every time is rounded up: 1ns, or that of a board"

// readArrayOn reads an array file, or the demo's, for a bus of a grain.
func readArrayOn(stdin io.Reader, name string, grain time.Duration) (*chipmodel.Array, error) {
	a, err := readArray(stdin, name)
	if err != nil {
		return nil, err
	}
	if grain < 1 {
		return nil, cli.Usagef("--grain %v: give 1ns or more", grain)
	}
	return a.OnGrain(grain)
}

// readBoth reads an array file for a bus of a grain, and a file of tasks; check, unless it is nil, finds what is wrong
// with them on the array. Errors of both files come together; where the array has some, the tasks are checked for what
// does not depend on it.
func readBoth(
	stdin io.Reader, array, tasks string, grain time.Duration,
	check func(*chipmodel.Array, []*facetdv1.Task) invalid.Errors,
) (*chipmodel.Array, []*facetdv1.Task, error) {
	a, err := readArrayOn(stdin, array, grain)
	var wrong *invalidError
	if err != nil && !errors.As(err, &wrong) {
		return nil, nil, err
	}
	specs, err := readTasks(stdin, tasks, func(specs []*facetdv1.Task) invalid.Errors {
		if wrong != nil || check == nil {
			return nil
		}
		return check(a, specs)
	})
	var also *invalidError
	switch {
	case wrong == nil:
		return a, specs, err
	case errors.As(err, &also):
		wrong = &invalidError{"the input (" + wrong.file + ", " + also.file + ")", slices.Concat(wrong.errs, also.errs)}
	case err != nil:
		return nil, nil, errors.Join(wrong, err)
	}
	return nil, nil, wrong
}

// readTasks reads a file of tasks; check, unless it is nil, finds what is wrong with them
// on an array.
func readTasks(
	stdin io.Reader, name string, check func([]*facetdv1.Task) invalid.Errors,
) ([]*facetdv1.Task, error) {
	s, err := open(stdin, name, deploy.CrawlerTasks, "demo tasks.yaml")
	if err != nil {
		return nil, err
	}
	tasks, m := arrayfile.ParseTasks(s.name, s.data, check)
	if len(m) > 0 {
		return nil, &invalidError{s.name, m}
	}
	return tasks, nil
}
