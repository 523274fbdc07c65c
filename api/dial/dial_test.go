package dial

import (
	"strings"
	"testing"
)

// A token leaves this machine through TLS alone.
func TestOnThisMachine(t *testing.T) {
	for address, want := range map[string]bool{
		"unix:/run/s": true, "passthrough:test": true, "localhost:1": true, "127.0.0.1:7660": true, "[::1]:7660": true,
		"[::ffff:127.0.0.1]:1": true, "robot:7660": false, "192.0.2.1:1": false, "localhost.example:1": false,
		"127.0.0.1": false, "": false,
	} {
		if got := OnThisMachine(address); got != want {
			t.Errorf("%q: %v", address, got)
		}
		conn, err := New(address, Options{Token: "t"})
		if conn != nil {
			conn.Close()
		}
		if want && err != nil || !want && err == nil {
			t.Errorf("a token to %q: %v", address, err)
		}
	}
}

// An address that is none is refused where it is given, not dialled at a port that nobody
// meant.
func TestAddresses(t *testing.T) {
	for address, good := range map[string]bool{
		"localhost:7660": true, "[::1]:7660": true, "robot:7660": true, "unix:/run/s": true, "unix:///run/s": true,
		"passthrough:test": true, "dns:///robot:7660": true,
		"127.0.0.1": false, "::1": false, "robot": false, "robot:": false, ":7660": false, "": false, "unix:": false,
		"http://127.0.0.1:7660": false, "robot:1:2": false, "robot:http": false, "robot:70000": false,
	} {
		conn, err := New(address, Options{})
		if conn != nil {
			conn.Close()
		}
		if good != (err == nil) {
			t.Errorf("%q: %v", address, err)
		}
		if err != nil && !strings.Contains(err.Error(), "HOST:PORT") {
			t.Errorf("%q: %v", address, err)
		}
	}
}
