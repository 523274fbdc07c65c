package cli

import (
	"cmp"
	"fmt"
	"regexp"
	"strings"

	"github.com/spf13/cobra"
)

// help writes a command's help as the library does, but for what it puts after every flag
// that takes no value: half the width of a terminal would go to it.
func help(cmd *cobra.Command, _ []string) {
	text := strings.TrimSpace(cmp.Or(cmd.Long, cmd.Short))
	fmt.Fprintf(cmd.OutOrStdout(), "%s\n\n%s", text, plainFlags(cmd.UsageString()))
}

const yesOrNo = "[=true|false]"

// flagLine is a line about a flag: the flag, and what it is for.
var flagLine = regexp.MustCompile(`^( +(?:-\w, )?--\S.*?)  +(\S.*)$`)

// plainFlags takes yesOrNo out of the lists of flags in a usage text, and aligns them anew.
func plainFlags(usage string) string {
	lines := strings.Split(usage, "\n")
	for from := 0; from < len(lines); from++ {
		to, width := from, 0
		for ; to < len(lines); to++ {
			p := flagLine.FindStringSubmatch(strings.Replace(lines[to], yesOrNo, "", 1))
			if p == nil {
				break
			}
			width = max(width, len(p[1]))
		}
		for i := from; i < to; i++ {
			p := flagLine.FindStringSubmatch(strings.Replace(lines[i], yesOrNo, "", 1))
			lines[i] = fmt.Sprintf("%-*s   %s", width, p[1], p[2])
		}
		from = to
	}
	return strings.Join(lines, "\n")
}
