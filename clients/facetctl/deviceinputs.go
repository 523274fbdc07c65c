package main

import (
	"context"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

func (a *app) deviceInputsCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "inputs",
		Short: "Show what came from the rest of the robot, and what was marked for it",
		Long: `inputs shows the inputs that device.inputs of the array file has, with the edges that came there and
the jobs that they triggered, and the output of device.mark, which marks when light is sampled. The
last edges of each input are listed with the bus time at which the device measured them; as JSON 64.`,
		Example: `  facetctl device inputs
  facetctl device inputs --output json`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.device.GetInputs(ctx, &facetdv1.GetInputsRequest{})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r)
				}
				return writeInputs(cmd.OutOrStdout(), r)
			})
		},
	}
}

func (a *app) deviceSetInputCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "set-input NAME high|low",
		Short: "Give an input of a virtual bus a level",
		Long: `set-input plays the rest of the robot on a virtual bus: the input NAME of device.inputs in the array
file gets a level, and where that changes it, there is an edge, as a device would tell of it.`,
		Example: `  facetctl device set-input wheel high
  facetctl device set-input wheel low`,
		Args: cli.Args("NAME", "LEVEL"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if args[1] != "high" && args[1] != "low" {
				return cli.Usagef("the level is high or low, and not %q", args[1])
			}
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.device.SetInput(ctx, &facetdv1.SetInputRequest{Input: args[0], High: args[1] == "high"})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r)
				}
				was := ""
				if !r.GetChanged() {
					was = ", as it was"
				}
				_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s is %s%s at bus time %d ns\n", args[0], args[1], was,
					r.GetAtBusNs())
				return err
			})
		},
	}
}

// shownEdges is how many edges of an input are listed.
const shownEdges = 4

// writeInputs says what connects an array to the rest of the robot.
func writeInputs(w io.Writer, r *facetdv1.GetInputsResponse) error {
	if m := r.GetMark(); m != nil {
		last := ""
		if m.LastBusNs != nil {
			last = fmt.Sprintf(", the last at bus time %d ns", m.GetLastBusNs())
		}
		fmt.Fprintf(w, "mark   %s, light of %s: %s%s\n", m.GetPin(), strings.Join(m.GetTasks(), ", "),
			cli.Count(int(m.GetMarks()), "mark"), last)
	}
	for _, in := range r.GetInputs() {
		writeInput(w, in)
	}
	if r.GetMark() == nil && len(r.GetInputs()) == 0 {
		_, err := fmt.Fprintln(w, "the array file has neither device.mark nor device.inputs")
		return err
	}
	return nil
}

var edgeNames = map[facetdv1.Edge]string{facetdv1.Edge_EDGE_RISING: "rising", facetdv1.Edge_EDGE_FALLING: "falling",
	facetdv1.Edge_EDGE_BOTH: "rising and falling"}

func writeInput(w io.Writer, in *facetdv1.InputStatus) {
	missed := ""
	if in.GetMissed() > 0 {
		missed = fmt.Sprintf(", %d missed as the link was full", in.GetMissed())
	}
	fmt.Fprintf(w, "input  %s at %s: %s, %s%s\n", in.GetName(), in.GetPin(), edgeNames[in.GetEdge()],
		cli.Count(int(in.GetEdges()), "edge"), missed)
	if in.GetTriggers() != "" {
		fmt.Fprintf(w, "       triggers %s: %s, %d of them late, %d refused\n", in.GetTriggers(),
			cli.Count(int(in.GetTaken()), "job"), in.GetLate(), in.GetRefused())
	}
	if in.GetLastRefusal() != "" {
		fmt.Fprintf(w, "       refused last: %s\n", in.GetLastRefusal())
	}
	recent := in.GetRecent()
	for _, e := range recent[max(len(recent)-shownEdges, 0):] {
		level := "low"
		if e.GetHigh() {
			level = "high"
		}
		fmt.Fprintf(w, "       %d  %s at bus time %d ns\n", e.GetNumber(), level, e.GetAtBusNs())
	}
}
