package main

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"facetd.example/api/chipparts"
	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/facetctl/internal/parse"
)

func (a *app) chipsCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "chips",
		Short: "List the chips of the array",
		Long: `chips lists the chips with class, parts, lattice, lane, select lines, mount (yaw,
pitch and roll in degrees) and groups; under --output json the whole array.`,
		Example: `  facetctl chips
  facetctl chips --output json`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.array.GetArray(ctx, &facetdv1.GetArrayRequest{})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r)
				}
				fmt.Fprintf(cmd.OutOrStdout(), "%s: %s, %s, %s\n\n", r.GetArray().GetName(),
					cli.Count(len(r.GetArray().GetChips()), "chip"),
					cli.Count(len(r.GetArray().GetLanes()), "lane"),
					cli.Count(len(r.GetArray().GetSelectLines()), "select line"))
				return chipTable(r.GetArray()).Write(cmd.OutOrStdout())
			})
		},
	}
}

func chipTable(array *facetdv1.Array) *cli.Table {
	classes := map[string]*facetdv1.ChipClass{}
	for _, c := range array.GetClasses() {
		classes[c.GetName()] = c
	}
	t := cli.NewTable("CHIP", "CLASS", "PARTS", ">LATTICE", "LANE", "SELECTS", ">MOUNT", "GROUPS")
	for _, c := range array.GetChips() {
		class, parts := classes[c.GetClass()], "-"
		if class != nil {
			parts = chipparts.Text(class)
		}
		m := c.GetMount()
		mount := fmt.Sprintf("%g/%g/%g", m.GetYawDeg(), m.GetPitchDeg(), m.GetRollDeg())
		var groups []string
		for _, g := range array.GetGroups() {
			if slices.Contains(g.GetChips(), c.GetName()) {
				groups = append(groups, g.GetName())
			}
		}
		t.Row(c.GetName(), c.GetClass(), parts,
			fmt.Sprintf("%dx%d", class.GetLattice().GetRows(), class.GetLattice().GetColumns()),
			c.GetLane(), strings.Join(c.GetSelects(), ","), mount, strings.Join(groups, ","))
	}
	return t
}

// pitchRatios gives, for each chip, the row pitch of its lattice over its column
// pitch, so that pictures have the shape of what was seen.
func pitchRatios(ctx context.Context, c *client) (map[string]float64, error) {
	r, err := c.array.GetArray(ctx, &facetdv1.GetArrayRequest{})
	if err != nil {
		return nil, err
	}
	byClass, byChip := map[string]float64{}, map[string]float64{}
	for _, class := range r.GetArray().GetClasses() {
		if l := class.GetLattice(); l.GetPitchXUm() > 0 && l.GetPitchYUm() > 0 {
			byClass[class.GetName()] = l.GetPitchYUm() / l.GetPitchXUm()
		}
	}
	for _, chip := range r.GetArray().GetChips() {
		byChip[chip.GetName()] = byClass[chip.GetClass()]
	}
	return byChip, nil
}

// targetForm says how targets are written.
const targetForm = "all, or a comma list of chips and groups"

// target reads a target. Names are looked up in the daemon's array: a single
// group stays a group, in a list groups stand for their chips. Names that the
// array does not have are left for the daemon to refuse, with its hint.
func target(ctx context.Context, c *client, s string) (*facetdv1.Target, error) {
	if s == "all" {
		return &facetdv1.Target{Chips: &facetdv1.Target_All{All: &facetdv1.AllChips{}}}, nil
	}
	names, err := parse.Names(s)
	if err != nil {
		return nil, cli.Usagef("target: %s", err)
	}
	r, err := c.array.GetArray(ctx, &facetdv1.GetArrayRequest{})
	if err != nil {
		return nil, err
	}
	groups := map[string][]string{"all": nil}
	for _, chip := range r.GetArray().GetChips() {
		groups["all"] = append(groups["all"], chip.GetName())
	}
	for _, g := range r.GetArray().GetGroups() {
		groups[g.GetName()] = g.GetChips()
	}
	if _, isGroup := groups[names[0]]; isGroup && len(names) == 1 {
		return &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: names[0]}}, nil
	}
	var chips []string
	add := func(name string) {
		if !slices.Contains(chips, name) {
			chips = append(chips, name)
		}
	}
	for _, name := range names {
		if members, isGroup := groups[name]; isGroup {
			for _, m := range members {
				add(m)
			}
		} else {
			add(name)
		}
	}
	return &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: chips}}}, nil
}

func (a *app) reachCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "reach LINES",
		Short: "Show which chips listen under a set of select lines",
		Example: `  facetctl reach fw,x0,y0
  facetctl reach fw,x0,x1,y0 --output json`,
		Args: cli.Args("LINES"),
		RunE: func(cmd *cobra.Command, args []string) error {
			lines, err := parse.Names(args[0])
			if err != nil {
				return cli.Usagef("lines: %s", err)
			}
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.array.ComputeReach(ctx, &facetdv1.ComputeReachRequest{Lines: lines})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSONLine(cmd.OutOrStdout(), cli.NewWord(r.GetWord()))
				}
				return cli.WriteWords(cmd.OutOrStdout(), []*facetdv1.SelectWord{r.GetWord()})
			})
		},
	}
}

func (a *app) coverCommand() *cobra.Command {
	var once bool
	cmd := &cobra.Command{
		Use:   "cover TARGET",
		Short: "Find the fewest select words that reach exactly a target",
		Long: `cover finds the fewest select words that together reach every chip of TARGET and no
other. With --once no chip is reached twice, as strobes need it.
TARGET is ` + targetForm + `.`,
		Example: `  facetctl cover wall
  facetctl cover bed-0,bow --once`,
		Args: cli.Args("TARGET"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				t, err := target(ctx, c, args[0])
				if err != nil {
					return err
				}
				r, err := c.array.ComputeCover(ctx, &facetdv1.ComputeCoverRequest{Target: t, Once: once})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSONLine(cmd.OutOrStdout(),
						cli.NewWords(r.GetWords(), r.GetOptimal(), r.GetLowerBound()))
				}
				return cli.WriteCover(cmd.OutOrStdout(), r.GetWords(), r.GetOptimal(), r.GetLowerBound())
			})
		},
	}
	cmd.Flags().BoolVar(&once, "once", false, "reach no chip twice")
	return cmd
}
