package hub

import (
	"fmt"
	"strings"
	"testing"

	"github.com/nats-io/nats.go"
)

// TestDeniedAnswers: a key that is refused a subject is told so; an answer that the hub no longer lets through, as
// after a new connection, says nothing of the key.
func TestDeniedAnswers(t *testing.T) {
	said := ""
	c := &Conn{log: func(line string) { said += line }, denied: map[string]string{}}
	c.failed(fmt.Errorf(`%w: permissions violation: Permissions Violation for Publish to "_INBOX_UX.a.b"`,
		nats.ErrPermissionViolation))
	if c.Denied() != "" || !strings.Contains(said, "_INBOX_UX.a.b") {
		t.Errorf("denied %q, said %q", c.Denied(), said)
	}
	c.failed(fmt.Errorf(`%w: permissions violation: Permissions Violation for Publish to "facet.event.x"`,
		nats.ErrPermissionViolation))
	if !strings.Contains(c.Denied(), "facet.event.x") {
		t.Errorf("denied %q", c.Denied())
	}
}
