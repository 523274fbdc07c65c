package bridge

import (
	"fmt"
	"net"
	"strings"

	"facetd.example/api/fileio"
)

// ListenForm is how an address of Listen is written, for messages.
const ListenForm = "unix:PATH or tcp:HOST:PORT"

// CheckListen reports an address that is not of ListenForm.
func CheckListen(address string) error {
	network, where, _ := strings.Cut(address, ":")
	switch network {
	case "unix":
		if where == "" {
			return fmt.Errorf("%q lacks the path of a socket", address)
		}
	case "tcp":
		if _, _, err := net.SplitHostPort(where); err != nil {
			return fmt.Errorf("%q is not an address: write tcp:HOST:PORT", address)
		}
	default:
		return fmt.Errorf("%q is no place to listen: write %s", address, ListenForm)
	}
	return nil
}

// Listen listens at an address of ListenForm, for what is on the other side of a device's pins. The socket of a process
// that has ended is taken over.
func Listen(address string) (net.Listener, error) {
	if err := CheckListen(address); err != nil {
		return nil, err
	}
	network, where, _ := strings.Cut(address, ":")
	if network == "unix" {
		if err := fileio.RemoveStaleSocket(where); err != nil {
			return nil, err
		}
	}
	return net.Listen(network, where)
}
