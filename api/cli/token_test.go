package cli

import (
	"strings"
	"testing"
	"testing/iotest"
)

// A token that a pipe gives in pieces is read to its end; one that breaks off is ignored.
func TestTokenInPieces(t *testing.T) {
	token, err := tokenIn("pipe", iotest.OneByteReader(strings.NewReader("facetd_abcdef\n")))
	if token != "facetd_abcdef" || err != nil {
		t.Errorf("%q, %v", token, err)
	}
	if token, err = tokenIn("pipe",
		iotest.TimeoutReader(iotest.OneByteReader(strings.NewReader("facetd_abcdef\n")))); token != "" || err == nil {
		t.Errorf("broken off: %q, %v", token, err)
	}
}
