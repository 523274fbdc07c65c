package exclusive

import (
	"errors"
	"strings"
	"testing"

	"facetd.example/daemon/failure"
)

func TestOneAtATime(t *testing.T) {
	var a Array
	claim := func(by string, how func(string) (func(), error)) func() {
		t.Helper()
		release, err := how(by)
		if err != nil {
			t.Fatalf("%s: %v", by, err)
		}
		return release
	}
	refused := func(by, taken string, how func(string) (func(), error)) {
		t.Helper()
		var e *failure.InProgress
		if _, err := how(by); !errors.As(err, &e) || !strings.HasPrefix(e.Message, taken+" is in progress") {
			t.Errorf("%s: %v, want it taken by %s", by, err, taken)
		}
	}
	release := claim("a bring-up", a.Claim)
	refused("a probe", "a bring-up", a.Claim)
	refused("a level", "a bring-up", a.ClaimShared)
	release()
	first, second := claim("a level", a.ClaimShared), claim("another level", a.ClaimShared)
	refused("a probe", "a level", a.Claim)
	first()
	refused("a probe", "a level", a.Claim)
	second()
	claim("a probe", a.Claim)()
	claim("a bring-up", a.Claim)()
}
