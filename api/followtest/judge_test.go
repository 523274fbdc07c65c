package followtest

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
)

func delivery(task string, generation, job, leftOut, dropped, total uint64) *facetdv1.FollowFrameSetsResponse {
	return &facetdv1.FollowFrameSetsResponse{Event: &facetdv1.FollowFrameSetsResponse_Delivery{
		Delivery: &facetdv1.FrameSetDelivery{LeftOut: leftOut, Dropped: dropped, DroppedTotal: total,
			FrameSet: &facetdv1.FrameSet{Task: task, TaskGeneration: generation, Job: job}}}}
}

func notice(task string, change facetdv1.TaskChange, generation uint64) *facetdv1.FollowFrameSetsResponse {
	return &facetdv1.FollowFrameSetsResponse{Event: &facetdv1.FollowFrameSetsResponse_TaskNotice{
		TaskNotice: &facetdv1.TaskNotice{Task: task, Change: change, Generation: generation}}}
}

// TestJudge: a good stream passes, and each thing that a stream must not do is found.
func TestJudge(t *testing.T) {
	const (
		added    = facetdv1.TaskChange_TASK_CHANGE_ADDED
		replaced = facetdv1.TaskChange_TASK_CHANGE_REPLACED
		removed  = facetdv1.TaskChange_TASK_CHANGE_REMOVED
		paused   = facetdv1.TaskChange_TASK_CHANGE_PAUSED
		resumed  = facetdv1.TaskChange_TASK_CHANGE_RESUMED
	)
	type stream = []*facetdv1.FollowFrameSetsResponse
	begun := &facetdv1.FollowBegun{Tasks: []*facetdv1.FollowedTask{{Task: "a", Generation: 3,
		NextJob: proto.Uint64(10)},
		{Task: "c", Generation: 1}}}
	for _, c := range []struct {
		name  string
		wrong string // of the last message; empty where all is well
		all   stream
	}{
		{"good", "", stream{delivery("a", 3, 10, 0, 0, 0), delivery("a", 3, 14, 3, 2, 2), notice("b", added, 5),
			delivery("b", 5, 0, 0, 0, 2), notice("a", replaced, 6), delivery("a", 6, 20, 0, 0, 2),
			notice("a", removed, 6), notice("a", added, 7), delivery("a", 7, 0, 0, 0, 2),
			delivery("c", 1, 40, 0, 0, 2),
			{Event: &facetdv1.FollowFrameSetsResponse_Heartbeat{Heartbeat: &facetdv1.Heartbeat{}}}}},
		{"paused", "", stream{delivery("a", 3, 10, 0, 0, 0), notice("a", paused, 3), delivery("a", 3, 11, 0, 0, 0),
			notice("a", resumed, 3), delivery("a", 3, 12, 0, 0, 0)}},
		{"paused twice", "so already", stream{notice("a", paused, 3), notice("a", paused, 3)}},
		{"resumed and not paused", "so already", stream{notice("a", resumed, 3)}},
		{"another one paused", "had generation 3", stream{notice("a", paused, 4)}},
		{"numbers of a pause", "job 11 would follow", stream{delivery("a", 3, 10, 0, 0, 0), notice("a", paused, 3),
			notice("a", resumed, 3), delivery("a", 3, 15, 0, 0, 0)}},
		{"twice", "job 11 would follow", stream{delivery("a", 3, 10, 0, 0, 0), delivery("a", 3, 10, 0, 0, 0)}},
		{"one missing", "job 10 would follow", stream{delivery("a", 3, 11, 0, 0, 0)}},
		{"one counted that was not", "job 10 would follow", stream{delivery("a", 3, 10, 1, 0, 0)}},
		{"a generation untold", "generation 3 was told", stream{delivery("a", 4, 0, 0, 0, 0)}},
		{"a task untold", "generation 0 was told", stream{delivery("b", 4, 0, 0, 0, 0)}},
		{"more dropped than left out", "2 dropped of 1", stream{delivery("a", 3, 11, 1, 2, 2)}},
		{"a total that falls", "2 had been dropped",
			stream{delivery("a", 3, 12, 2, 2, 2), delivery("a", 3, 13, 0, 0, 1)}},
		{"added again", "was there", stream{notice("a", added, 4)}},
		{"replaced by an older one", "had generation 3", stream{notice("a", replaced, 3)}},
		{"another removed", "had generation 3", stream{notice("a", removed, 2)}},
		{"nothing became of it", "nothing became", stream{notice("a", 0, 4)}},
		{"begun again", "neither", stream{{Event: &facetdv1.FollowFrameSetsResponse_Begun{}}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			j := NewJudge(begun)
			for i, m := range c.all {
				err := j.Take(m)
				if last := i == len(c.all)-1; c.wrong == "" || !last {
					if err != nil {
						t.Fatalf("message %d: %v", i, err)
					}
				} else if err == nil || !strings.Contains(err.Error(), c.wrong) {
					t.Errorf("it said %v, want %q", err, c.wrong)
				}
			}
		})
	}
}
