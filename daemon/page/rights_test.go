package page_test

import (
	"net"
	"testing"
	"time"

	"facetd.example/daemon/access"
	"facetd.example/daemon/access/accesstest"
	"facetd.example/daemon/config"
	"facetd.example/daemon/server"
)

// TestRights: over TLS the page has the role of its token: with the role viewer it
// shows everything and changes nothing; when the token is withdrawn it says so and takes
// another.
func TestRights(t *testing.T) {
	t.Parallel()
	host := accesstest.Outside(t)
	ca, tokens := accesstest.NewAuthority(t, "test authority"), accesstest.NewTokens(t)
	own := ca.Server(host)
	viewer := tokens.Add("viewer", access.Viewer, time.Now().Add(time.Hour))
	var cfg config.Config
	d := run(t, func(c *server.Setup) {
		calm(t, c)
		c.Listen = config.Listen{GRPC: "127.0.0.1:0", HTTP: net.JoinHostPort(host, "0")}
		c.Access.TLS = access.TLS{Certificate: own.CertFile, Key: own.KeyFile}
		c.Access.Tokens = tokens.Path
		cfg = c.Config
	})
	reload := func() {
		t.Helper()
		if err := d.Reload(t.Context(), func() (config.Config, error) { return cfg, nil }); err != nil {
			t.Fatal(err)
		}
	}
	b := browse(t, "https://"+d.Addresses().HTTP+"/", 1280, 800, "Authorization", "Bearer "+viewer)
	b.live(19)
	b.noErrors()
	b.waitFor(fact("You are")+` === "viewer, viewer"`, patience)
	b.fill("#task-name", "crown")
	b.choose("#task-target", "group:crown")
	b.fill("#task-rate", "3")
	b.click("#preview-button")
	b.waitFor(`!document.getElementById('apply-button').disabled`, patience)
	b.click("#apply-button")
	b.waitFor(`document.getElementById('change-said').dataset.kind === 'bad' && document.getElementById('change-said').textContent.includes('operator')`, patience)
	t.Logf("applied with the role viewer: %s", b.text("#change-said"))
	b.picture("viewer", "#change")
	b.click("#stop") // which a viewer may not do, either, and is told
	b.click(`#stop-form button[value="stop"]`)
	b.waitFor(`document.getElementById('stop-said').dataset.kind === 'bad' && document.getElementById('stop-said').textContent.includes('operator')`, patience)
	if d.Stopped() != nil {
		t.Error("a viewer has stopped the array")
	}
	b.picture("viewer-stop", "#stop-box")
	b.click(`#stop-form button[value="not"]`)

	tokens.Clear()
	operator := tokens.Add("operator", access.Operator, time.Now().Add(time.Hour))
	b.headers()
	reload()
	b.waitFor(`document.getElementById('link').dataset.state === 'barred' && document.getElementById('token').open`,
		patience)
	if n := eval[int](b, `document.querySelectorAll('.tile[data-state="stale"]').length`); n != 19 {
		b.waitFor(`document.querySelectorAll('.tile[data-state="stale"]').length === 19`, patience)
	}
	b.picture("token")
	b.fill("#token-in", operator)
	b.click(`#token button[value="use"]`)
	b.live(19)
	b.waitFor(fact("You are")+` === "operator, operator"`, patience)
	b.click("#preview-button")
	b.waitFor(`!document.getElementById('apply-button').disabled`, patience)
	b.click("#apply-button")
	b.waitFor(`document.querySelector('#rates-table [data-task="crown"]')`, patience)
	b.refused()
}
