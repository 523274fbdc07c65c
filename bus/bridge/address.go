package bridge

import (
	"context"
	"fmt"
	"net"
	"strings"

	"facetd.example/api/fileio"
)

// AddressForm is how the address of a device is written, for messages.
const AddressForm = "unix:PATH or tcp:HOST:PORT"

// CheckAddress reports an address that is not of AddressForm.
func CheckAddress(address string) error {
	_, _, err := splitAddress(address)
	return err
}

func splitAddress(address string) (network, where string, err error) {
	network, where, _ = strings.Cut(address, ":")
	switch network {
	case "unix":
		if where == "" {
			return "", "", fmt.Errorf("%q lacks the path of a socket", address)
		}
	case "tcp":
		if _, _, err := net.SplitHostPort(where); err != nil {
			return "", "", fmt.Errorf("%q is not an address: write tcp:HOST:PORT", address)
		}
	default:
		return "", "", fmt.Errorf("%q is not a way to a device: write %s", address, AddressForm)
	}
	return network, where, nil
}

// connect opens a connection to a device.
func connect(ctx context.Context, address string) (net.Conn, error) {
	network, where, err := splitAddress(address)
	if err != nil {
		return nil, err
	}
	d := net.Dialer{Timeout: handshakeTime} // an address that swallows everything is given up earlier than by TCP
	return d.DialContext(ctx, network, where)
}

// Listen listens at an address of AddressForm, for what is on the other side of a device's pins. The socket of a
// process that has ended is taken over.
func Listen(address string) (net.Listener, error) {
	network, where, err := splitAddress(address)
	if err != nil {
		return nil, err
	}
	if network == "unix" {
		if err := fileio.RemoveStaleSocket(where); err != nil {
			return nil, err
		}
	}
	return net.Listen(network, where)
}
