package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

func (a *app) probeCommand() *cobra.Command {
	var quick bool
	var most uint32
	cmd := &cobra.Command{
		Use:   "probe",
		Short: "Find faults of the select lines, chips and lanes on the live bus",
		Long: `probe reads out the array under well-chosen select words, in idle gaps of the
timetable, until everything seen is explained: lines stuck active or inactive, select
inputs open or shorted, swapped lines, dead chips, open lanes, saturated converters.
It names the smallest set of faults, with the place to look at, and what else would
show the same. Progress goes to standard error. The exit status is 1 when a fault is
found.

Readouts are chosen so that two chips never drive one lane under any single fault that
is still possible, where that can be done at all; where a risk had to be run the report
says so. Take the usual care with a new board: a current limit on the supply, and hands
off dies without protection against electrostatic discharge.`,
		Example: `  facetctl probe
  facetctl probe --quick --output json`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.stream(cmd, func(ctx context.Context, c *client) error {
				stream, err := c.probe.ProbeSelects(ctx,
					&facetdv1.ProbeSelectsRequest{Thorough: !quick, MaxReadouts: most})
				if err != nil {
					return err
				}
				result, err := a.followProbe(cmd.ErrOrStderr(), stream.Recv)
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					err = cli.WriteJSONLine(cmd.OutOrStdout(), probeReport(result))
				} else {
					_, err = io.WriteString(cmd.OutOrStdout(), result.GetReport())
				}
				if err == nil && (len(result.GetFaults()) > 0 || !result.GetExplained()) {
					err = cli.ErrReported
				}
				return err
			})
		},
	}
	cmd.Flags().BoolVar(&quick, "quick", false,
		"stop at the first fault that explains everything, without looking for a second")
	cmd.Flags().Uint32Var(&most, "max-readouts", 0, "give up after this many readouts (default no limit)")
	return cmd
}

// followProbe shows the progress and returns the result.
func (a *app) followProbe(w io.Writer, next func() (*facetdv1.ProbeSelectsResponse, error)) (*facetdv1.ProbeResult,
	error) {
	shown := false
	for {
		r, err := next()
		if shown && (err != nil || r.GetResult() != nil) {
			fmt.Fprintln(w)
		}
		if errors.Is(err, io.EOF) {
			return nil, errors.New("the daemon ended the probe without a result")
		}
		if err != nil {
			return nil, err
		}
		if result := r.GetResult(); result != nil {
			return result, nil
		}
		if a.terminal != nil {
			p := r.GetProgress()
			fmt.Fprintf(w, "\r%d readouts, %d explanations left   ", p.GetReadouts(), p.GetRemaining())
			shown = true
		}
	}
}

// probeJSON is what probe prints under --output json.
type probeJSON struct {
	Explained    bool          `json:"explained"`
	Faults       []faultJSON   `json:"faults"`
	Alternatives [][]faultJSON `json:"alternatives"`
	Readouts     uint32        `json:"readouts"`
	Unsafe       []string      `json:"unsafe"`
}

// faultJSON is one fault by names; fields that its kind does not need are left out.
type faultJSON struct {
	Kind      string  `json:"kind"`
	Line      string  `json:"line,omitempty"`
	OtherLine string  `json:"other_line,omitempty"`
	Chip      string  `json:"chip,omitempty"`
	Input     *uint32 `json:"input,omitempty"`
	Lane      string  `json:"lane,omitempty"`
}

func probeReport(r *facetdv1.ProbeResult) probeJSON {
	out := probeJSON{Explained: r.GetExplained(), Faults: faultsJSON(r.GetFaults()), Alternatives: [][]faultJSON{},
		Readouts: r.GetReadouts(), Unsafe: []string{}}
	for _, set := range r.GetAlternatives() {
		out.Alternatives = append(out.Alternatives, faultsJSON(set.GetFaults()))
	}
	out.Unsafe = append(out.Unsafe, r.GetUnsafe()...)
	return out
}

func faultsJSON(faults []*facetdv1.Fault) []faultJSON {
	out := []faultJSON{}
	for _, f := range faults {
		j := faultJSON{Kind: kindName(f.GetKind()), Line: f.GetLine(), OtherLine: f.GetOtherLine(), Chip: f.GetChip(),
			Lane: f.GetLane()}
		if atInput(f.GetKind()) {
			j.Input = new(f.GetInput())
		}
		out = append(out, j)
	}
	return out
}

// atInput reports whether a kind of fault is one of a select input.
func atInput(k facetdv1.FaultKind) bool {
	switch k {
	case facetdv1.FaultKind_FAULT_KIND_INPUT_OPEN_ACTIVE, facetdv1.FaultKind_FAULT_KIND_INPUT_OPEN_INACTIVE,
		facetdv1.FaultKind_FAULT_KIND_INPUT_SHORTED:
		return true
	}
	return false
}

// kindName is a kind of fault in JSON: "line_stuck_active".
func kindName(k facetdv1.FaultKind) string {
	return strings.ReplaceAll(cli.Label(k, "FAULT_KIND_"), " ", "_")
}
