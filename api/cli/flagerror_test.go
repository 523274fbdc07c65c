package cli

import (
	"bytes"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// TestValuesOfFlags: a value that a flag does not take is refused with the flag, the value, its form and its unit.
func TestValuesOfFlags(t *testing.T) {
	for args, want := range map[string]string{
		"--rate 5kHz":  `--rate "5kHz": write a number without a unit, such as 12.5 (jobs a second, in Hz)`,
		"--least 5kHz": `--least "5kHz": write a number without a unit, such as 12.5 (the least, in Hz)`,
		"--wait 250":   `--wait "250": write a time with its unit, such as 250ms or 1m30s (how long to wait)`,
		"--count -1":   `--count "-1": write a whole number from 0 to 4294967295 (how many)`,
		"--deep=maybe": `--deep "maybe": write true or false (whether it is deep)`,
	} {
		root := &cobra.Command{Use: "tool", RunE: func(*cobra.Command, []string) error { return nil }}
		AddOutputFlag(root)
		root.Flags().Float64("rate", 1, "jobs a second, in Hz")
		var least *float64
		OptionalFloat64(root.Flags(), &least, "least", "the least, in Hz")
		root.Flags().Duration("wait", 0, "how long to wait")
		root.Flags().Uint32("count", 0, "how many")
		root.Flags().Bool("deep", false, "whether it is deep")
		var stdout, stderr bytes.Buffer
		status := Execute(t.Context(), root, strings.Fields(args), nil, &stdout, &stderr)
		if status != StatusUsage || !strings.Contains(stderr.String(), want) {
			t.Errorf("%s: status %d, %q, want %q", args, status, stderr.String(), want)
		}
	}
}
