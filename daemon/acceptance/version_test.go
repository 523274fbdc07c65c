package acceptance

import (
	"io"
	"net/http"
	"strings"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
)

// TestTheVersionIsStamped: the version that the linker is given is what both binaries, its
// status and its metrics say.
func TestTheVersionIsStamped(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"facetd", "facetctl"} {
		if out := run(t, binary(t, name), "version"); !strings.HasPrefix(out, name+" "+version+" ") {
			t.Errorf("%s says %q", name, out)
		}
	}
	d := start(t)
	st, err := facetdv1.NewStatusServiceClient(d.dial(t)).GetStatus(t.Context(), &facetdv1.GetStatusRequest{})
	if err != nil || st.GetStatus().GetVersion() != version {
		t.Errorf("status %v %v", st, err)
	}
	resp, err := http.Get(d.http + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil || !strings.Contains(string(text), `version="`+version+`"`) {
		t.Errorf("%v: the metrics do not say the version", err)
	}
	if err := d.stop(t); err != nil {
		t.Error(err)
	}
}
