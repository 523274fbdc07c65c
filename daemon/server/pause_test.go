package server

import (
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	facetdv1 "facetd.example/api/facetd/v1"
)

// pause pauses a task over the API, or resumes it, and returns the answer.
func (p *process) pause(name string, paused bool, etag string) *facetdv1.UpdateTaskResponse {
	p.t.Helper()
	r, err := p.tasks().UpdateTask(limited(p.t), &facetdv1.UpdateTaskRequest{Etag: etag,
		Task:       &facetdv1.Task{Name: name, Paused: paused},
		UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"paused"}}})
	if err != nil {
		p.t.Fatal(err)
	}
	return r
}

// find returns a task as it runs.
func (p *process) find(name string) *facetdv1.RunningTask {
	p.t.Helper()
	r, err := p.tasks().GetTask(limited(p.t), &facetdv1.GetTaskRequest{Name: name})
	if err != nil {
		p.t.Fatal(err)
	}
	return r.GetTask()
}

// TestAPauseOverTheAPI plans nothing anew, is told in events, outlives the daemon, and ends where it was: jobs are
// counted on, under the same generation. A preview of it is the plan that is active.
func TestAPauseOverTheAPI(t *testing.T) {
	s := withData(t)
	s.write("tasks.yaml", siteTasks(50, "bow", "bed"))
	p := s.start()
	eventually(t, "both tasks have jobs", func() bool {
		return p.find("bow").GetStatus().GetJobsEnded() > 3 && p.find("bed").GetStatus().GetJobsEnded() > 3
	})
	plans := facetdv1.NewPlanServiceClient(p.dial(p.Addresses().GRPC))
	plan := func() *facetdv1.GetPlanResponse {
		t.Helper()
		r, err := plans.GetPlan(limited(t), &facetdv1.GetPlanRequest{})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	before, was := plan(), p.find("bow")
	r := p.pause("bow", true, was.GetEtag())
	if len(r.GetShifts()) > 0 || !r.GetTask().GetStatus().GetPaused() || !r.GetTask().GetTask().GetPaused() ||
		r.GetTask().GetGeneration() != was.GetGeneration() || r.GetTask().GetEtag() == was.GetEtag() {
		t.Errorf("paused: %v", r)
	}
	eventually(t, "no job of it ends any more", func() bool {
		ended, other := p.find("bow").GetStatus().GetJobsEnded(), p.find("bed").GetStatus().GetJobsEnded()
		eventually(t, "the other goes on", func() bool { return p.find("bed").GetStatus().GetJobsEnded() > other+5 })
		return p.find("bow").GetStatus().GetJobsEnded() == ended
	})
	ended := p.find("bow").GetStatus().GetJobsEnded()
	preview, err := plans.PreviewPlan(limited(t), &facetdv1.PreviewPlanRequest{Changes: &facetdv1.TaskChanges{
		Update: []*facetdv1.TaskUpdate{{Task: &facetdv1.Task{Name: "bow"},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"paused"}}}}}})
	if err != nil || !proto.Equal(preview.GetPlan(), before.GetPlan()) {
		t.Errorf("a preview of its end: %v", err)
	}
	p.pause("bow", false, "")
	eventually(t, "it goes on", func() bool { return p.find("bow").GetStatus().GetJobsEnded() > ended+3 })
	now := p.find("bow")
	q := now.GetStatus()
	if q.GetJobsOnTime()+q.GetJobsLate()+q.GetJobsFailed() != q.GetJobsEnded() || now.GetEtag() != was.GetEtag() ||
		now.GetGeneration() != was.GetGeneration() || !proto.Equal(plan(), before) {
		t.Errorf("resumed: %v, was %v", now, was)
	}
	paused := p.eventsOf(facetdv1.EventKind_EVENT_KIND_TASK_PAUSED)
	if resumed := p.eventsOf(facetdv1.EventKind_EVENT_KIND_TASK_RESUMED); paused == "" || resumed == "" {
		t.Errorf("told was %q and %q", paused, resumed)
	}
	if changed := p.eventsOf(facetdv1.EventKind_EVENT_KIND_TASK_CHANGED); changed != "" {
		t.Errorf("told was as well %q", changed)
	}
	revision := p.pause("bow", true, "").GetRevision()
	p.end()

	p = s.start()
	eventually(t, "the other runs", func() bool { return p.find("bed").GetStatus().GetJobsEnded() > 5 })
	if still := p.find("bow"); !still.GetStatus().GetPaused() || still.GetStatus().GetJobsEnded() > 0 ||
		s.stored().Revision != revision || p.told() != "" {
		t.Errorf("after a restart: %v, revision %d after %d", still, s.stored().Revision, revision)
	}
	p.pause("bow", false, "")
	eventually(t, "it runs", func() bool { return p.find("bow").GetStatus().GetJobsEnded() > 3 })
	p.end()
}
