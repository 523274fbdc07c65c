//go:build !unix

package main

import "os"

// terminalOf returns nil: no terminal is recognised on this system, and output is
// plain text.
func terminalOf(*os.File) func() (columns, lines int) { return nil }
