package api

import (
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

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
