package main

import (
	"context"
	"fmt"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	facetdv1 "facetd.example/api/facetd/v1"
)

// manyTasks is a daemon with pages of two tasks, which change while they are read as often as it says.
type manyTasks struct {
	facetdv1.TaskServiceClient
	tasks    int
	changes  int
	revision uint64
}

func (m *manyTasks) ListTasks(_ context.Context, r *facetdv1.ListTasksRequest,
	_ ...grpc.CallOption) (*facetdv1.ListTasksResponse, error) {
	at := 0
	if r.GetPageToken() != "" {
		if _, err := fmt.Sscan(r.GetPageToken(), &at); err != nil {
			return nil, err
		}
		if m.changes > 0 {
			if m.changes--; m.changes%2 == 0 { // what the token stands for has gone
				return nil, status.Error(codes.InvalidArgument, "page_token")
			}
			m.revision++
		}
	}
	out := &facetdv1.ListTasksResponse{Revision: m.revision}
	for i := at; i < min(at+2, m.tasks); i++ {
		out.Tasks = append(out.Tasks, &facetdv1.RunningTask{Task: &facetdv1.Task{Name: fmt.Sprint(i)}})
	}
	if at+2 < m.tasks {
		out.NextPageToken = fmt.Sprint(at + 2)
	}
	return out, nil
}

// TestAllTasksAreOfOneRevision: over all pages, and read again where they change meanwhile, but not for ever.
func TestAllTasksAreOfOneRevision(t *testing.T) {
	for changes, fails := range map[int]bool{0: false, 1: false, 2: false, changeTries - 1: false, 100: true} {
		m := &manyTasks{tasks: 5, changes: changes, revision: 1}
		got, err := allTasks(t.Context(), &client{tasks: m})
		if (err != nil) != fails {
			t.Errorf("%d changes: %v", changes, err)
		}
		if err == nil && (len(got.GetTasks()) != 5 || got.GetTasks()[4].GetTask().GetName() != "4" ||
			got.GetRevision() != m.revision) {
			t.Errorf("%d changes: %v", changes, got)
		}
	}
}
