package main

import (
	"context"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

func (a *app) deviceCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "device",
		Short: "Show the device that drives the array",
		Long: `device shows what drives the array of a daemon that runs with --bus bridge:ADDRESS: its
firmware and boot, the protocol that it speaks, what it can do, how its clock stands to
the host's, what became of what was handed over to it, and the least slack with which a
run arrived. The exit status is 1 while the device is away.`,
		Example: `  facetctl device
  facetctl device --output json`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.device.GetDevice(ctx, &facetdv1.GetDeviceRequest{})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					err = cli.WriteJSON(cmd.OutOrStdout(), r)
				} else {
					err = writeDevice(cmd.OutOrStdout(), r.GetDevice())
				}
				if err == nil && !r.GetDevice().GetConnected() {
					return cli.ErrReported
				}
				return err
			})
		},
	}
	cmd.AddCommand(a.deviceSelfTestCommand(), a.deviceInputsCommand(), a.deviceSetInputCommand())
	return cmd
}

func (a *app) deviceSelfTestCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "self-test BOARD",
		Short: "Have the device test its outputs, with the array off",
		Long: `self-test has the device drive its outputs one after another, and holds the edges that its inputs
measure against those that were armed: the outputs are wired to the inputs, as device.loopback in
the array file says. Take the array off before: its chips would be driven with whatever the test
drives. Naming BOARD, as device.board in the array file has it, says that this was done. Every job
fails until the test is over. A board that drives a real array runs none before it has passed, for
this firmware and these pins. The exit status is 1 where the test fails.`,
		Example: `  facetctl device self-test crawler-hub`,
		Args:    cli.Args("BOARD"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.device.SelfTestDevice(ctx, &facetdv1.SelfTestDeviceRequest{Board: args[0]})
				if err != nil {
					return err
				}
				t := r.GetSelfTest()
				if cli.WantsJSON(cmd) {
					err = cli.WriteJSON(cmd.OutOrStdout(), r)
				} else {
					_, err = fmt.Fprintln(cmd.OutOrStdout(), selfTestText(t))
				}
				if err == nil && !t.GetPassed() {
					return cli.ErrReported
				}
				return err
			})
		},
	}
}

// selfTestText says what is known of a self-test.
func selfTestText(t *facetdv1.DeviceSelfTest) string {
	outputs := ""
	if t.GetOutputs() > 0 {
		outputs = fmt.Sprintf(": %s tested, %d wired to no input", cli.Count(int(t.GetOutputs()), "output"),
			t.GetUnwired())
	}
	switch {
	case t.GetPassed() && outputs != "":
		return fmt.Sprintf("passed%s, edges within %s of their times", outputs, cli.NS(t.GetWorstNs()))
	case t.GetPassed():
		return "passed before, for this firmware and these pins"
	case t.GetFailure() != "":
		return "failed: " + t.GetFailure()
	case t.GetSkipped():
		return "not passed; an operator has said that the board runs the array without"
	case t.GetRequired():
		return "not passed, and the board runs no array before it has"
	}
	return "not done; this board does not ask for it"
}

// writeDevice says what is known of a device.
func writeDevice(w io.Writer, d *facetdv1.DeviceStatus) error {
	state := "connected"
	if !d.GetConnected() {
		state = "away"
	}
	fmt.Fprintf(w, "device    %s, %s since %s\n", d.GetAddress(), state,
		d.GetSince().AsTime().Format("2006-01-02 15:04:05 UTC"))
	if d.GetLastLoss() != "" {
		fmt.Fprintf(w, "lost      last time: %s\n", d.GetLastLoss())
	}
	fmt.Fprintf(w, "firmware  %s, boot %s, protocol %s\n", d.GetBuild(), d.GetBoot(), d.GetProtocol())
	writeDeviceLimits(w, d.GetLimits())
	writeDeviceClock(w, d.GetClock())
	slack := "no run yet"
	if d.LeastSlackNs != nil {
		slack = "at least " + time.Duration(d.GetLeastSlackNs()).String()
	}
	fmt.Fprintf(w, "slack     %s\n", slack)
	fmt.Fprintf(w, "self-test %s\n", selfTestText(d.GetSelfTest()))
	for _, r := range d.GetReadings() {
		state := ""
		if r.GetValue() < r.GetLow() || r.GetValue() > r.GetHigh() {
			state = ", outside: every line is inactive"
		}
		fmt.Fprintf(w, "reading   %s %.4g %s (%.4g to %.4g)%s\n", r.GetName(), r.GetValue(), readingUnits[r.GetUnit()],
			r.GetLow(), r.GetHigh(), state)
	}
	return writeDeviceCounters(w, d.GetCounters())
}

var readingUnits = map[facetdv1.ReadingUnit]string{facetdv1.ReadingUnit_READING_UNIT_VOLTS: "V",
	facetdv1.ReadingUnit_READING_UNIT_AMPERES: "A", facetdv1.ReadingUnit_READING_UNIT_CELSIUS: "°C"}

func writeDeviceClock(w io.Writer, c *facetdv1.DeviceClock) {
	if c == nil {
		fmt.Fprintln(w, "clock     not known against the host's: it has not answered yet, or the host follows its time")
		return
	}
	drift := "not known yet"
	if c.DriftPpm != nil {
		drift = fmt.Sprintf("%.1f ppm, off by at most %.1f ppm", c.GetDriftPpm(), c.GetDriftUncertaintyPpm())
	}
	fmt.Fprintf(w, "clock     ahead of the host by %v, off by at most %v; drift %s; round trips of %v to %v\n",
		time.Duration(c.GetOffsetNs()), time.Duration(c.GetUncertaintyNs()), drift,
		time.Duration(c.GetLeastRoundTripNs()), time.Duration(c.GetWorstRoundTripNs()))
}

func writeDeviceLimits(w io.Writer, l *facetdv1.DeviceLimits) {
	fmt.Fprintf(w, "limits    tick %s, runs handed over %s ahead (%s for the device), lines inactive within %s, "+
		"lease %s\n",
		cli.NS(l.GetTickNs()), cli.NS(l.GetLeadNs()), cli.NS(l.GetReadyNs()), cli.NS(l.GetReleaseNs()),
		cli.NS(l.GetLeaseNs()))
	fmt.Fprintf(w, "          %d bytes for %d programs, %d runs, %d select lines, %d lanes\n", l.GetStoreBytes(),
		l.GetPrograms(), l.GetQueue(), l.GetLines(), l.GetLanes())
}

func writeDeviceCounters(w io.Writer, c *facetdv1.DeviceCounters) error {
	fmt.Fprintf(w, "link      %s, %d lost, %s, messages %d out and %d in\n",
		cli.Count(int(c.GetSessions()), "session"), c.GetLosses(), cli.Count(int(c.GetReboots()), "reboot"),
		c.GetSent(), c.GetReceived())
	fmt.Fprintf(w, "          %d resent, %d doubled, %d out of order, %d spoiled, %d not acknowledged at the end "+
		"of a session\n", c.GetResent(), c.GetDoubled(), c.GetOutOfOrder(), c.GetSpoiled(), c.GetUnacknowledged())
	fmt.Fprintf(w, "programs  %d on the device, %s, %d kept from before\n", c.GetPrograms(),
		cli.Count(int(c.GetUploads()), "upload"), c.GetKept())
	fmt.Fprintf(w, "runs      %d executed, %d recalled, late by the host %d, the link %d, the device %d; "+
		"broken off by underrun %d, otherwise %d\n", c.GetRuns(), c.GetRecalled(), c.GetLateHost(), c.GetLateLink(),
		c.GetLateDevice(), c.GetUnderruns(), c.GetBrokenOff())
	_, err := fmt.Fprintf(w, "          of %d handed over; %d lost with the device, %d not taken by it, %d with codes "+
		"or times that cannot be\n", c.GetSubmitted(), c.GetLost(), c.GetRejected(), c.GetContradicted())
	return err
}
