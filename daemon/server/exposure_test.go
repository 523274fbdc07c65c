package server

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/deploy"
)

// TestExposuresAreStored: an exposure that was set between the jobs of a task is there after a restart, and its frames
// have it from the first one on.
func TestExposuresAreStored(t *testing.T) {
	s := withData(t)
	// The chips of the wall are read first in the file; they get linear pixels with a shutter.
	first := regexp.MustCompile(`(?s)    logarithmic:\n(?:      [^\n]*\n)+(.*)`)
	array := first.ReplaceAllString(string(deploy.CrawlerArray),
		"    linear: {exposure: 2ms, reset_volts: 2.4, shutter: {least: 50us, most: 10ms}}\n$1")
	s.write("array.yaml", strings.Replace(array, "strobes: {", "strobes: {expose: H0, ", 1))
	p := s.start()
	look := groupTask("look", "", 3)
	look.Target = &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: []string{"wall-00"}}}}
	look.Views = []*facetdv1.View{{Name: "v", Movable: &facetdv1.Movable{Exposure: &facetdv1.ExposureBounds{
		Low: durationpb.New(50 * time.Microsecond), High: durationpb.New(5 * time.Millisecond)}}}}
	p.create(look)
	shows := func(want time.Duration) {
		t.Helper()
		r, err := p.tasks().GetTask(limited(t), &facetdv1.GetTaskRequest{Name: "look"})
		if err != nil {
			t.Fatal(err)
		}
		if v := r.GetTask().GetParameters(); len(v) != 1 || v[0].GetExposure().AsDuration() != want {
			t.Errorf("the task shows %v, want %v", v, want)
		}
	}
	shows(2 * time.Millisecond)
	if _, err := p.tasks().SetTaskParameters(limited(t), &facetdv1.SetTaskParametersRequest{Task: "look",
		Views: []*facetdv1.ViewParameters{{Exposure: durationpb.New(1234567)}}}); err != nil {
		t.Fatal(err)
	}
	p.end()

	p = s.start()
	shows(1234567)
	frames := facetdv1.NewFrameServiceClient(p.dial(p.Addresses().GRPC))
	r, err := frames.WaitFrameSets(limited(t), &facetdv1.WaitFrameSetsRequest{
		Selection: &facetdv1.FrameSelection{Tasks: []string{"look"}}, Wait: durationpb.New(10 * time.Second)})
	if err != nil || len(r.GetDeliveries()) != 1 ||
		r.GetDeliveries()[0].GetFrameSet().GetFrames()[0].GetExposureNs() != 1234567 {
		t.Errorf("after a restart: %v, %v", r, err)
	}
	p.end()
}
