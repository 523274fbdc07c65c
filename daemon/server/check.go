package server

import (
	"errors"
	"fmt"
	"net"
	"strings"

	"go.uber.org/zap"

	"facetd.example/api/dial"
	"facetd.example/api/invalid"
	"facetd.example/chipmodel"
	"facetd.example/daemon/access"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// Found sums up a configuration that is in order.
type Found struct {
	Array     string         `json:"array"`
	Chips     int            `json:"chips"`
	Tasks     int            `json:"tasks"`
	Addresses []FoundAddress `json:"addresses"`
	// Unreadable are the chips that no frame can be had of; none of a replay, which reads no chip.
	Unreadable []Unreadable `json:"unreadable"`
	// Notes are for people: what is no error, and may be meant otherwise.
	Notes []string `json:"notes,omitempty"`
}

// Unreadable is a chip that cannot be read, and the chips that every word selects with it.
type Unreadable struct {
	Chip    string   `json:"chip"`
	Selects []string `json:"selects"`
}

// UnreadableIn returns the chips of an array that cannot be read, an empty list where there are none.
func UnreadableIn(a *chipmodel.Array) []Unreadable {
	out := []Unreadable{}
	for _, c := range program.Unreadable(a) {
		out = append(out, Unreadable{a.Chips[c].Name, a.ChipNames(a.Reach(a.Chips[c].Wires))})
	}
	return out
}

// FoundAddress is where the daemon would listen, and who may connect.
type FoundAddress struct {
	Address string `json:"address"`
	Who     string `json:"who"`
}

// Check does what New does, but neither makes a bus nor listens: it reads all files and
// plans the tasks. Errors: invalid.Errors with everything wrong with the input, and
// *scheduler.RefusalError when the tasks do not fit.
func (c *Setup) Check() (*Found, error) {
	m := c.Validate()
	in, more := c.load(zap.NewNop())
	defer in.release()
	m = addNew(m, more)
	if _, err := access.New(c.Access, access.Options{ReadFile: c.ReadFile}); err != nil {
		var wrong invalid.Errors
		if !errors.As(err, &wrong) {
			return nil, err
		}
		m = addNew(m, wrong)
	}
	if len(m) > 0 {
		return nil, m
	}
	found := &Found{Array: in.array.Name, Chips: len(in.array.Chips), Tasks: len(in.tasks), Addresses: c.who(),
		Unreadable: []Unreadable{}}
	if in.player == nil {
		found.Unreadable, found.Notes = UnreadableIn(in.array), notesOf(in.array, in.checked)
	}
	if in.player != nil || len(in.tasks) == 0 {
		return found, nil
	}
	if _, err := scheduler.Build(in.array, in.checked, scheduler.Options{}); err != nil {
		return nil, err
	}
	return found, nil
}

// addNew adds the errors about fields of which nothing is said yet: what else is wrong
// with such a field follows from that.
func addNew(m, more invalid.Errors) invalid.Errors {
	said := map[string]bool{}
	for _, e := range m {
		said[e.File+":"+e.Path] = true
	}
	for _, e := range more {
		if !said[e.File+":"+e.Path] {
			m = append(m, e)
		}
	}
	return m
}

// who says of every address who may connect.
func (c *Setup) who() []FoundAddress {
	list := []FoundAddress{}
	add := func(kind, address string) {
		if address == "" {
			return
		}
		host, _, _ := net.SplitHostPort(address) // Validate was asked
		who := "whoever is on this machine"
		switch {
		case !dial.Loopback(host):
			var means []string
			if c.Access.TLS.ClientCA != "" {
				means = append(means, "client certificates")
			}
			if c.Access.Tokens != "" {
				means = append(means, "tokens")
			}
			who = "TLS, " + strings.Join(means, " or ")
		case c.Access.Loopback == access.Checked:
			who = "tokens"
		}
		list = append(list, FoundAddress{fmt.Sprintf("%s %s", kind, address), who})
	}
	add("gRPC", c.Listen.GRPC)
	if c.Listen.Unix != "" {
		list = append(list, FoundAddress{"gRPC unix:" + c.Listen.Unix,
			"whom the socket's mode lets: the daemon's user"})
	}
	add("HTTP", c.Listen.HTTP)
	return list
}
