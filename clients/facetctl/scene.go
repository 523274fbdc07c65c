package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

func (a *app) sceneCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "scene",
		Short: "Show or set the light and temperature of a virtual array",
		Long: `scene shows or sets what a virtual array is exposed to: its light, and by how much its
dies are warmer than their classes say. On any other bus the daemon refuses: cover, light
or warm the chips there.`,
		Example: `  facetctl scene show
  facetctl scene set uniform:200`,
		Args: cli.UnknownCommand,
		RunE: cli.MissingCommand,
	}
	cmd.AddCommand(a.sceneShowCommand(), a.sceneSetCommand())
	return cmd
}

func describeEnvironment(s *facetdv1.Environment) string {
	text := "light " + s.GetScene()
	if k := s.GetTemperatureOffsetK(); k > 0 {
		text += fmt.Sprintf(", dies %g K warmer than their classes say", k)
	} else if k < 0 {
		text += fmt.Sprintf(", dies %g K colder than their classes say", -k)
	}
	return text
}

func (a *app) sceneShowCommand() *cobra.Command {
	return &cobra.Command{
		Use:     "show",
		Short:   "Show the light and temperature of the virtual array",
		Example: "  facetctl scene show",
		Args:    cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.scene.GetScene(ctx, &facetdv1.GetSceneRequest{})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r)
				}
				fmt.Fprintln(cmd.OutOrStdout(), describeEnvironment(r.GetEnvironment()))
				return nil
			})
		},
	}
}

func (a *app) sceneSetCommand() *cobra.Command {
	var offset float64
	cmd := &cobra.Command{
		Use:   "set [SCENE]",
		Short: "Set the light, the temperature, or both",
		Long: `set changes the light around a virtual array to SCENE, which is written as for
'facetd serve --scene'; quote what has spaces. Without SCENE the light stays as it is.`,
		Example: `  facetctl scene set uniform:0.5
  facetctl scene set 'demo:high=500 | flicker:mains=50,depth=0.2'
  facetctl scene set --temperature-offset 15`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			r := &facetdv1.SetSceneRequest{Scene: strings.Join(args, "")}
			if cmd.Flags().Changed("temperature-offset") {
				r.TemperatureOffsetK = &offset
			}
			if r.Scene == "" && r.TemperatureOffsetK == nil {
				return cli.Usagef("give a SCENE, --temperature-offset, or both")
			}
			return a.call(cmd, func(ctx context.Context, c *client) error {
				got, err := c.scene.SetScene(ctx, r)
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), got)
				}
				fmt.Fprintf(cmd.OutOrStdout(), "%s, from bus time %s on\n", describeEnvironment(got.GetEnvironment()),
					cli.NS(got.GetEffectiveBusNs()))
				return nil
			})
		},
	}
	cmd.Flags().Float64Var(&offset, "temperature-offset", 0, "kelvin by which every die is warmer than its class says")
	return cmd
}
