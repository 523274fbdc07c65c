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
	var quick, accept bool
	var most uint32
	cmd := &cobra.Command{
		Use:   "probe",
		Short: "Find faults of the select lines, chips and lanes on the live bus",
		Long: `probe reads out the array under well-chosen select words, in idle gaps of the
timetable, until everything seen is explained: lines stuck active or inactive, select
inputs open or shorted, swapped lines, dead chips, open lanes, saturated converters.

The report tells apart what was measured from what is inferred. Measured: whether each
chip answers to its own select word; a chip that could not be sampled safely is named
with the reason. Inferred, if there are no more than two faults: which ones explain
everything seen. Where several explain the same it says "one of these", what to do for
each, and which measurements on the board tell them apart, the cheapest first.

The exit status is 0 only when no fault is found and none is left open. A fault that
shows the same as none cannot be excluded from outside: that is a verdict of its own,
with status 1, or 0 with --accept-hidden. Progress goes to standard error.

Readouts are chosen so that two chips never drive one lane under any single fault that
is still possible, where that can be done at all; where a risk had to be run the report
says so. Take the usual care with a new board: a current limit on the supply, and hands
off dies without protection against electrostatic discharge.`,
		Example: `  facetctl probe
  facetctl probe --accept-hidden
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
				if err == nil && !clean(result, accept) {
					err = cli.ErrReported
				}
				return err
			})
		},
	}
	cmd.Flags().BoolVar(&quick, "quick", false,
		"look for a second fault only where no single one explains everything")
	cmd.Flags().BoolVar(&accept, "accept-hidden", false,
		"end with status 0 also where no fault is found but some show the same as none")
	cmd.Flags().Uint32Var(&most, "max-readouts", 0, "give up after this many readouts (default no limit)")
	return cmd
}

// clean reports whether a probe left nothing open, or nothing but what is accepted.
func clean(r *facetdv1.ProbeResult, accept bool) bool {
	free := r.GetVerdict() == facetdv1.ProbeVerdict_PROBE_VERDICT_FAULT_FREE ||
		accept && r.GetVerdict() == facetdv1.ProbeVerdict_PROBE_VERDICT_NOT_EXCLUDED
	return free && r.GetEndedEarly() == ""
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
	Verdict         string           `json:"verdict"`
	Certain         []faultJSON      `json:"certain"`
	Cases           []caseJSON       `json:"cases"`
	Hidden          []faultJSON      `json:"hidden"`
	HiddenCount     uint32           `json:"hidden_count"`
	Explanations    uint32           `json:"explanations"`
	PairsConsidered bool             `json:"pairs_considered"`
	EndedEarly      string           `json:"ended_early,omitempty"`
	Readouts        uint32           `json:"readouts"`
	Chips           []probedChipJSON `json:"chips"`
	ByHand          []byHandJSON     `json:"by_hand"`
	Unsafe          []string         `json:"unsafe"`
	Contended       []string         `json:"contended"`
}

// caseJSON holds places; of the faults of each, one is there.
type caseJSON struct {
	Places [][]faultJSON `json:"places"`
}

// probedChipJSON is one chip: what was measured, and what is inferred.
type probedChipJSON struct {
	Chip           string `json:"chip"`
	Measured       string `json:"measured,omitempty"`
	NotMeasured    string `json:"not_measured,omitempty"`
	InferredDrives string `json:"inferred_drives,omitempty"`
}

type byHandJSON struct {
	What     string        `json:"what"`
	Outcomes []outcomeJSON `json:"outcomes"`
}

type outcomeJSON struct {
	Shows   string     `json:"shows"`
	Cases   []caseJSON `json:"cases"`
	NoFault bool       `json:"no_fault"`
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
	out := probeJSON{
		Verdict: jsonName(r.GetVerdict(), "PROBE_VERDICT_"), Certain: faultsJSON(r.GetCertain()),
		Cases: casesJSON(r.GetCases()), Hidden: faultsJSON(r.GetHidden()), HiddenCount: r.GetHiddenCount(),
		Explanations: r.GetExplanations(), PairsConsidered: r.GetPairsConsidered(), EndedEarly: r.GetEndedEarly(),
		Readouts: r.GetReadouts(), Chips: []probedChipJSON{}, ByHand: []byHandJSON{},
		Unsafe: append([]string{}, r.GetUnsafe()...), Contended: append([]string{}, r.GetContended()...),
	}
	for _, c := range r.GetChips() {
		j := probedChipJSON{Chip: c.GetChip(), NotMeasured: c.GetNotMeasured()}
		if c.GetMeasured() != facetdv1.LaneLevel_LANE_LEVEL_UNSPECIFIED {
			j.Measured = jsonName(c.GetMeasured(), "LANE_LEVEL_")
		}
		if c.GetInferredDrives() != facetdv1.Answer_ANSWER_UNSPECIFIED {
			j.InferredDrives = jsonName(c.GetInferredDrives(), "ANSWER_")
		}
		out.Chips = append(out.Chips, j)
	}
	for _, h := range r.GetByHand() {
		j := byHandJSON{What: h.GetWhat(), Outcomes: []outcomeJSON{}}
		for _, o := range h.GetOutcomes() {
			j.Outcomes = append(j.Outcomes, outcomeJSON{o.GetShows(), casesJSON(o.GetCases()), o.GetNoFault()})
		}
		out.ByHand = append(out.ByHand, j)
	}
	return out
}

func casesJSON(cases []*facetdv1.FaultCase) []caseJSON {
	out := []caseJSON{}
	for _, c := range cases {
		j := caseJSON{Places: [][]faultJSON{}}
		for _, p := range c.GetPlaces() {
			j.Places = append(j.Places, faultsJSON(p.GetOneOf()))
		}
		out = append(out, j)
	}
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
func kindName(k facetdv1.FaultKind) string { return jsonName(k, "FAULT_KIND_") }

// jsonName is a value of the schema's enums in JSON.
func jsonName(v fmt.Stringer, prefix string) string {
	return strings.ReplaceAll(cli.Label(v, prefix), " ", "_")
}
