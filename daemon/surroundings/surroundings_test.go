package surroundings

import (
	"context"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	facetdv1 "facetd.example/api/facetd/v1"
)

// On a bus that is not virtual every method refuses.
func TestNeedsAVirtualBus(t *testing.T) {
	s := New(Config{})
	_, get := s.GetScene(context.Background(), &facetdv1.GetSceneRequest{})
	_, set := s.SetScene(context.Background(), &facetdv1.SetSceneRequest{Scene: "uniform:1"})
	replaced := s.Replace(context.Background(), "uniform:1", nil)
	for _, err := range []error{get, set, replaced} {
		if status.Code(err) != codes.FailedPrecondition {
			t.Errorf("%v, want FAILED_PRECONDITION", err)
		}
	}
}
