package api

import (
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/followtest"
)

// TestTextsThatDeceive: no text of any request has characters that control a terminal or turn the direction of writing,
// nor line breaks; what is in every language stays.
func TestTextsThatDeceive(t *testing.T) {
	r := start(t)
	tasks := facetdv1.NewTaskServiceClient(r.conn)
	named := func(name string) *facetdv1.CreateTaskRequest {
		return &facetdv1.CreateTaskRequest{Task: &facetdv1.Task{Name: name}}
	}
	for _, bad := range []string{"a\x1b[2Jb", "a\u202eb", "a\nb", "a\rb", "a\u2066b", "a\u009bb", "\x00"} {
		for _, c := range []struct {
			path string
			call func() error
		}{
			{"task.name", func() error { _, err := tasks.CreateTask(t.Context(), named(bad)); return err }},
			{"task.views[0].name", func() error {
				_, err := tasks.CreateTask(t.Context(), &facetdv1.CreateTaskRequest{Task: &facetdv1.Task{Name: "a",
					Views: []*facetdv1.View{{Name: bad}}}})
				return err
			}},
			{"name", func() error {
				_, err := tasks.DeleteTask(t.Context(), &facetdv1.DeleteTaskRequest{Name: bad})
				return err
			}},
			{"start.selection.tasks[1]", func() error {
				_, err := followtest.Open(t.Context(), r.conn, &facetdv1.FollowStart{
					Selection: &facetdv1.FrameSelection{Tasks: []string{"ring", bad}}})
				return err
			}},
			{"changes.remove[0].name", func() error {
				_, err := facetdv1.NewPlanServiceClient(r.conn).PreviewPlan(t.Context(),
					&facetdv1.PreviewPlanRequest{Changes: &facetdv1.TaskChanges{
						Remove: []*facetdv1.TaskRemoval{{Name: bad}}}})
				return err
			}},
		} {
			err := c.call()
			const what = ": the text has line breaks or characters that control a terminal or the direction of " +
				"writing (write it on one line, without them)"
			if st := status.Convert(err); st.Code() != codes.InvalidArgument || st.Message() != c.path+what {
				t.Errorf("%q as %s: %v", bad, c.path, err)
			}
		}
	}
	if _, err := tasks.CreateTask(t.Context(), named("größe-左-שמאל")); err != nil {
		t.Errorf("a name in other languages: %v", err)
	}
}
