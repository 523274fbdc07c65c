package main

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	"facetd.example/api/fileio"
	"facetd.example/daemon/access"
)

// longestToken is how far ahead a token may expire: one that never does is forgotten,
// and still counts when it is found.
const longestToken = 5 * 366 * 24 * time.Hour

func tokenCommand() *cobra.Command {
	return cli.Group("token", "Make tokens for clients on other machines",
		`  facetd token new --name bench --role viewer --expires 90d --file tokens`, tokenNewCommand())
}

func tokenNewCommand() *cobra.Command {
	var name, role, expires, file string
	cmd := &cobra.Command{
		Use:   "new",
		Short: "Make a token, and the line by which the daemon knows it",
		Long: `new makes a token of 256 random bits and prints it once: only its SHA-256 goes into the
token file that the configuration names in access.tokens, so that nobody can read tokens
there. Send it to its user by a way that others cannot read; they keep it in a file for
'facetctl --token-file'. A reload makes the daemon accept new lines; take a line out and
reload, and the token is no longer valid, and what it opened ends.`,
		Example: `  facetd token new --name bench --role operator --expires 90d --file /etc/facetd/tokens
  facetd token new --name scraper --role viewer --expires 2030-06-01`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			r, err := access.ParseRole(role)
			if err != nil {
				return cli.Usagef("--role %s", err)
			}
			until, err := expiry(expires, time.Now())
			if err != nil {
				return cli.Usagef("--expires %s", err)
			}
			token, line, err := access.NewToken(name, r, until)
			if err != nil {
				return cli.Usagef("--name %s", err)
			}
			if file != "" {
				if err := appendToken(file, line); err != nil {
					return err
				}
			}
			if cli.WantsJSON(cmd) {
				return cli.WriteJSON(cmd.OutOrStdout(),
					map[string]string{"token": token, "line": line.Line(), "file": file})
			}
			out := cmd.OutOrStdout()
			fmt.Fprintf(out, "token  %s\n", token)
			if file == "" {
				fmt.Fprintf(out, "line   %s\n", line.Line())
			} else {
				fmt.Fprintf(out, "added to %s; reload the daemon\n", file)
			}
			fmt.Fprintln(cmd.ErrOrStderr(), "The token is shown this once and kept nowhere.")
			return nil
		},
	}
	fl := cmd.Flags()
	fl.StringVar(&name, "name", "", "name of the token, for the log")
	fl.StringVar(&role, "role", "", "viewer or operator")
	fl.StringVar(&expires, "expires", "90d", "days such as 90d, a duration such as 12h, or a date such as 2030-06-01")
	fl.StringVar(&file, "file", "", "token file to add the line to (default print it)")
	return cmd
}

// expiry reads a number of days, a duration, or a date, which counts to its end in UTC.
func expiry(s string, now time.Time) (time.Time, error) {
	var until time.Time
	if days, is := strings.CutSuffix(s, "d"); is {
		n, err := strconv.ParseUint(days, 10, 31)
		if err != nil {
			return until, fmt.Errorf("%q is not a number of days", s)
		}
		until = now.AddDate(0, 0, int(n))
	} else if d, err := time.ParseDuration(s); err == nil {
		until = now.Add(d)
	} else if day, err := time.Parse(time.DateOnly, s); err == nil {
		until = day.AddDate(0, 0, 1)
	} else {
		return until,
			fmt.Errorf("%q is neither days such as 90d, a duration such as 12h, nor a date such as 2030-06-01", s)
	}
	switch {
	case !until.After(now):
		return until, fmt.Errorf("%q is over already", s)
	case until.Sub(now) > longestToken:
		return until, fmt.Errorf("%q is more than five years ahead", s)
	}
	return until, nil
}

// appendToken adds a line to a token file, which must be in order before and after.
func appendToken(file string, line access.Token) error {
	old, err := os.ReadFile(file)
	if err != nil && !os.IsNotExist(err) {
		return fileio.Plain(err)
	}
	add := line.Line() + "\n"
	if len(old) > 0 && old[len(old)-1] != '\n' {
		add = "\n" + add
	}
	if _, m := access.ParseTokens(file, append(old, add...)); len(m) > 0 {
		return &invalidError{file, m}
	}
	f, err := os.OpenFile(file, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o600)
	if err != nil {
		return fileio.Plain(err)
	}
	_, err = f.WriteString(add)
	if closeErr := f.Close(); err == nil {
		err = closeErr
	}
	return err
}
