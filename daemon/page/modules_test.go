package page_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"testing"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
)

// TestModules runs the tests of the modules of arithmetic alone.
func TestModules(t *testing.T) {
	node := peertest.Program(t, "node")
	files, err := filepath.Glob("jstest/*.test.mjs")
	if err != nil || len(files) == 0 {
		t.Fatalf("no tests: %v", err)
	}
	out, err := exec.Command(node, append([]string{"--test"}, files...)...).CombinedOutput()
	if err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}

// TestTheFormOfATaskKnowsItsFields: a field of the schema that the form lacked would be lost when a task is changed in
// the page.
func TestTheFormOfATaskKnowsItsFields(t *testing.T) {
	var form []byte
	for _, file := range []string{"static/taskform.mjs", "static/change.mjs"} { // and what is asked for beside it
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		form = append(form, text...)
	}
	for _, m := range []proto.Message{&facetdv1.Task{}, &facetdv1.View{}} {
		fields := m.ProtoReflect().Descriptor().Fields()
		for i := range fields.Len() {
			if name := string(fields.Get(i).Name()); !regexp.MustCompile(`\b` + name + `\b`).Match(form) {
				t.Errorf("%s.%s stands nowhere in the form", m.ProtoReflect().Descriptor().Name(), name)
			}
		}
	}
}
