package server

import (
	"os"
	"path/filepath"
	"testing"

	"facetd.example/daemon/access/accesstest"
	"facetd.example/daemon/config"
)

// TestExamples checks the example configurations with all files that they name: those
// that only a robot or a recorder has are made here.
func TestExamples(t *testing.T) {
	t.Parallel()
	examples, err := filepath.Glob("../../deploy/examples/*.yaml")
	if err != nil || len(examples) < 3 {
		t.Fatalf("%v %v", examples, err)
	}
	examples = append(examples, "../../deploy/systemd/facetd.yaml")
	ca := accesstest.NewAuthority(t, "operators")
	own, tokens := ca.Server("robot.example"), accesstest.NewTokens(t)
	elsewhere := map[string]string{
		"/etc/facetd/robot.pem": own.CertFile, "/etc/facetd/robot.key": own.KeyFile,
		"/etc/facetd/operators-ca.pem": ca.CA(), "/etc/facetd/operators.crl": ca.Revoke(own.X509.NotAfter),
		"/etc/facetd/tokens": tokens.Path,
	}
	for _, name := range examples {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		parsed, m := config.Parse(name, data)
		if len(m) > 0 {
			t.Errorf("%s: %v", name, m)
			continue
		}
		c := Setup{Config: parsed}
		if files, plays := c.Recording(); plays {
			for _, f := range files {
				if filepath.Dir(f) != filepath.Dir(name) {
					t.Errorf("%s: %s is not beside it", name, f)
				}
			}
			file, _ := recordedRun(t)
			c.Bus = config.ReplayOf + file
		}
		c.ReadFile = func(file string) ([]byte, error) {
			if made := elsewhere[file]; made != "" {
				file = made
			}
			return os.ReadFile(file)
		}
		found, err := c.Check()
		if err != nil || found.Chips == 0 || len(found.Addresses) == 0 {
			t.Errorf("%s: %+v %v", name, found, err)
		}
	}
}
