package page_test

import (
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/server"
)

// TestStopAndResume: the array is stopped and resumed from the page; who and why stay on the screen meanwhile, a resume
// ends only the stop that it has shown, and afterwards the frames are live again by themselves.
func TestStopAndResume(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) { calm(t, c) })
	b := browse(t, d.url(), 1280, 800)
	b.live(19)
	b.click("#stop")
	b.waitFor(`document.getElementById('stop-box').open`, patience)
	b.picture("stop", "#stop-box")
	b.fill("#stop-reason", "a cable is loose")
	b.click(`#stop-form button[value="stop"]`)
	b.waitFor(`!document.getElementById('stop-box').open`, patience)
	b.waitFor(`!document.getElementById('banner').hidden`, patience)
	b.takeFaults() // the browser notes a question for frames that was refused meanwhile
	said := b.text("#banner")
	for _, want := range []string{"stopped, by this machine", "a cable is loose", "as the bus has confirmed",
		"--data"} {
		if !strings.Contains(said, want) {
			t.Errorf("the banner %q lacks %q", said, want)
		}
	}
	stop := d.Stopped()
	if stop == nil || stop.Reasons[0].Reason != "a cable is loose" {
		t.Fatalf("the daemon has %+v", stop)
	}
	b.click("#banner-action")
	b.waitFor(`document.getElementById('resume-box').open`, patience)
	b.picture("resume", "#resume-box")
	conn, err := grpc.NewClient(d.Addresses().GRPC, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	if _, err := facetdv1.NewSafeStopServiceClient(conn).StopArray(t.Context(),
		&facetdv1.StopArrayRequest{Reason: "hands in the robot"}); err != nil {
		t.Fatal(err)
	}
	b.click(`#resume-form button[value="resume"]`)
	b.waitFor(`document.getElementById('resume-said').textContent.includes('hands in the robot')`, patience)
	b.refused()
	b.click(`#resume-form button[value="not"]`)
	b.waitFor(`!document.getElementById('resume-box').open`, patience)
	b.waitFor(`document.getElementById('banner').textContent.includes('1 request more')`, patience)
	b.click("#banner-action")
	b.waitFor(`document.getElementById('resume-shown').textContent.includes('hands in the robot')`, patience)
	b.click(`#resume-form button[value="resume"]`)
	b.waitFor(`!document.getElementById('resume-box').open && document.getElementById('banner').hidden`, patience)
	if d.Stopped() != nil {
		t.Error("the daemon is still stopped")
	}
	b.live(19)
	b.noErrors()
}
