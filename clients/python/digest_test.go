package python

import (
	"bytes"
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/framedigest"
	"facetd.example/api/peertest"
)

// TestDigestsBesideGo streams some seconds of the real-time demo, in all cases ten (it makes
// 95 frame sets a second), to a Go client and to the Python client at once: both must have got the same frame sets in
// the same order, and sum them up to the same digest.
func TestDigestsBesideGo(t *testing.T) {
	python(t)
	t.Parallel()
	address := daemon(t)
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	stream, err := facetdv1.NewFrameServiceClient(conn).FollowFrameSets(ctx)
	if err != nil {
		t.Fatal(err)
	}
	count := peertest.Cases(190, 950)
	start := &facetdv1.FollowStart{Overflow: facetdv1.Overflow_OVERFLOW_QUEUE, QueueLength: 1024, FrameSets: 1024}
	err = stream.Send(&facetdv1.FollowFrameSetsRequest{Request: &facetdv1.FollowFrameSetsRequest_Start{Start: start}})
	if err != nil {
		t.Fatal(err)
	}
	// Begun: all that is sent to Python comes here too.
	if m, err := stream.Recv(); err != nil || m.GetBegun() == nil {
		t.Fatalf("the stream begins with %v, %v", m, err)
	}
	var out, errs bytes.Buffer
	cmd := command(t, "tests/digest.py", address, fmt.Sprint(count))
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	var sets []*facetdv1.FrameSet
	for done := false; !done; {
		m, err := stream.Recv()
		if err != nil || m.GetDelivery().GetDropped() > 0 {
			t.Fatalf("%v, %d dropped", err, m.GetDelivery().GetDropped())
		}
		if set := m.GetDelivery().GetFrameSet(); set != nil {
			sets = append(sets, set)
			// An error of sending is told by receiving.
			_ = stream.Send(&facetdv1.FollowFrameSetsRequest{Request: &facetdv1.FollowFrameSetsRequest_Grant{
				Grant: &facetdv1.FollowGrant{FrameSets: 1}}})
		}
		select {
		case err := <-ended:
			if err != nil {
				t.Fatalf("%v\n%s", err, errs.String())
			}
			done = true
		default:
		}
	}
	// Lines of task and job, then the count and the digest of all.
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	got, last := lines[:len(lines)-1], lines[len(lines)-1]
	if len(got) != count {
		t.Fatalf("Python received %d frame sets of %d\n%s", len(got), count, errs.String())
	}
	name := func(fs *facetdv1.FrameSet) string { return fmt.Sprint(fs.GetTask(), " ", fs.GetJob()) }
	first := 0
	for first < len(sets) && name(sets[first]) != got[0] {
		first++
	}
	if first+len(got) > len(sets) {
		t.Fatalf("Python's %d sets from %s on are not among Go's %d", len(got), got[0], len(sets))
	}
	digest := framedigest.New()
	for i, line := range got {
		fs := sets[first+i]
		if name(fs) != line {
			t.Fatalf("set %d: Python received %s, Go %s", i, line, name(fs))
		}
		digest.Add(fs)
	}
	if want := fmt.Sprint(digest.Sets(), " ", digest.Sum()); last != want {
		t.Errorf("Python: %s, Go: %s", last, want)
	}
	t.Logf("%d frame sets, digest %s", digest.Sets(), digest.Sum())
}
