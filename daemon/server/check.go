package server

import (
	"errors"
	"fmt"
	"net"
	"strings"

	"go.uber.org/zap"

	"facetd.example/api/invalid"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/daemon/access"
	"facetd.example/daemon/config"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// Found is what a configuration that is in order comes to.
type Found struct {
	Array     string         `json:"array"`
	Chips     int            `json:"chips"`
	Tasks     int            `json:"tasks"`
	Addresses []FoundAddress `json:"addresses"`
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
	if m := c.Validate(); len(m) > 0 {
		return nil, m
	}
	in, m := c.load(zap.NewNop())
	if _, err := access.New(c.Access, access.Options{ReadFile: c.ReadFile}); err != nil {
		var wrong invalid.Errors
		if !errors.As(err, &wrong) {
			return nil, err
		}
		m = append(m, wrong...)
	}
	if len(m) > 0 {
		return nil, m
	}
	defer in.release()
	found := &Found{Array: in.array.Name, Chips: len(in.array.Chips), Tasks: len(in.tasks), Addresses: c.who()}
	if in.player != nil || len(in.tasks) == 0 {
		return found, nil
	}
	tasks, m := program.NewTasks(in.array, in.tasks)
	if len(m) > 0 {
		return nil, arrayfile.Locate(in.tasksName, in.tasksData, m)
	}
	if _, err := scheduler.Build(in.array, tasks, scheduler.Options{}); err != nil {
		return nil, err
	}
	return found, nil
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
		case !config.IsLoopback(host):
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
		list = append(list, FoundAddress{"gRPC unix:" + c.Listen.Unix, "whom the socket's mode lets: the daemon's user"})
	}
	add("HTTP", c.Listen.HTTP)
	return list
}
