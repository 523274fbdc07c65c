package api

import (
	"io"
	"net/http"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/failure"
)

// A request with an id is done once, of whatever service; its answer is that of the first.
func TestRequestsWithAnIDAreDoneOnce(t *testing.T) {
	r := start(t)
	commands, tasks := facetdv1.NewCommandServiceClient(r.conn), facetdv1.NewTaskServiceClient(r.conn)
	send := func(id string, strobe facetdv1.Strobe) (*facetdv1.SendCommandResponse, error) {
		r.fake.set(func(f *fake) { f.done.Start, f.asked = f.done.Start+1, nil })
		return commands.SendCommand(limited(t), &facetdv1.SendCommandRequest{RequestId: id,
			Command: &facetdv1.Command{Action: &facetdv1.Command_Strobe{Strobe: strobe}}})
	}
	first, err := send("a", facetdv1.Strobe_STROBE_LOAD)
	if err != nil || r.fake.asked == nil {
		t.Fatal(err)
	}
	again, err := send("a", facetdv1.Strobe_STROBE_LOAD)
	if err != nil || !proto.Equal(again, first) || r.fake.asked != nil {
		t.Errorf("a retry: %v %v after %v, asked %v", again, err, first, r.fake.asked)
	}
	if other, err := send("b", facetdv1.Strobe_STROBE_LOAD); err != nil || proto.Equal(other, first) {
		t.Errorf("another id: %v %v", other, err)
	}
	if _, err := send("a", facetdv1.Strobe_STROBE_SHARE); status.Code(err) != codes.AlreadyExists ||
		!strings.Contains(err.Error(), `"a"`) {
		t.Errorf("another command of the id: %v", err)
	}
	if _, err := tasks.DeleteTask(limited(t), &facetdv1.DeleteTaskRequest{Name: "bed", RequestId: "a"}); status.Code(
		err) != codes.AlreadyExists {
		t.Errorf("another method of the id: %v", err)
	}
	if _, err := send(strings.Repeat("x", 129), facetdv1.Strobe_STROBE_LOAD); status.Code(
		err) != codes.InvalidArgument {
		t.Errorf("a long id: %v", err)
	}
	for range 2 { // without an id each is another
		if _, err := send("", facetdv1.Strobe_STROBE_LOAD); err != nil || r.fake.asked == nil {
			t.Errorf("without an id: %v, asked %v", err, r.fake.asked)
		}
	}
	// What failed has changed nothing, and is tried again.
	r.fake.set(func(f *fake) { f.err = &failure.NotFound{What: "task", Name: "x"} })
	if _, err := tasks.DeleteTask(limited(t),
		&facetdv1.DeleteTaskRequest{Name: "x", RequestId: "c"}); status.Code(err) != codes.NotFound {
		t.Errorf("%v", err)
	}
	r.fake.set(func(f *fake) { f.err = nil })
	if _, err := tasks.DeleteTask(limited(t), &facetdv1.DeleteTaskRequest{Name: "x", RequestId: "c"}); err != nil {
		t.Error(err)
	}
}

// Over HTTP changes of tasks arrive as they were sent, masks and all, and a retry gets the answer of the first.
func TestChangesOverHTTP(t *testing.T) {
	r := start(t)
	s := web(t, r)
	const body = `{"changes":{"expected_revision":"3","add":[{"name":"new","rate_hz":5,"target":{"all":{}}}],
		"update":[{"task":{"name":"bed","rate_hz":9},"update_mask":"rateHz,target","etag":"e"}],
		"remove":[{"name":"ring"}]},"request_id":"once"}`
	want := &facetdv1.TaskChanges{ExpectedRevision: proto.Uint64(3),
		Add: []*facetdv1.Task{{Name: "new", RateHz: 5,
			Target: &facetdv1.Target{Chips: &facetdv1.Target_All{All: &facetdv1.AllChips{}}}}},
		Update: []*facetdv1.TaskUpdate{{Task: &facetdv1.Task{Name: "bed", RateHz: 9}, Etag: "e",
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"rate_hz", "target"}}}},
		Remove: []*facetdv1.TaskRemoval{{Name: "ring"}}}
	for try := range 3 {
		r.fake.set(func(f *fake) { f.asked = nil })
		resp := post(t, s, "TaskService/ApplyTasks", "application/json", []byte(body))
		text, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		var answer facetdv1.ApplyTasksResponse
		if err := protojson.Unmarshal(text, &answer); err != nil || resp.StatusCode != http.StatusOK ||
			answer.GetRevision() != 4 || answer.GetEffectiveBusNs() != 11 || len(answer.GetTasks()) != 2 {
			t.Errorf("try %d: %s %s, %v", try, resp.Status, text, err)
		}
		switch asked := r.fake.asked; {
		case try == 0 && (len(asked) != 2 || !proto.Equal(asked[1].(*facetdv1.TaskChanges), want)):
			t.Errorf("asked %v, want %v", asked, want)
		case try > 0 && asked != nil:
			t.Errorf("a retry was made: %v", asked)
		}
	}
	r.fake.set(func(f *fake) { f.err = &failure.Stale{What: "task", Name: "bed", Given: "e", Current: "now"} })
	resp := post(t, s, "TaskService/ApplyTasks", "application/json", []byte(strings.Replace(body, "once", "2", 1)))
	if text, err := io.ReadAll(resp.Body); err != nil || resp.StatusCode != http.StatusConflict ||
		!strings.Contains(string(text), `"aborted"`) {
		t.Errorf("a stale etag: %s %s, %v", resp.Status, text, err)
	}
}
