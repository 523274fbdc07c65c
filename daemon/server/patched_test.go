package server

import (
	"bytes"
	"os"
	"testing"

	"facetd.example/daemon/config"
	"facetd.example/deploy"
)

// TestPatchFitsAFile: "patch -p1" in the folder of the demo array finds what the patch names.
func TestPatchFitsAFile(t *testing.T) {
	c := Setup{Config: config.Default()}
	data, err := os.ReadFile("../../deploy/examples/crawler/" + c.patched("demo array.yaml"))
	if err != nil || !bytes.Equal(data, deploy.CrawlerArray) {
		t.Errorf("the patch of the demo array is for another file: %v", err)
	}
	if c.Array = "/etc/facetd/a.yaml"; c.patched(c.Array) != c.Array {
		t.Errorf("a patch of %s is for %s", c.Array, c.patched(c.Array))
	}
}
