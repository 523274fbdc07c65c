package main

import (
	"os"

	"golang.org/x/term"
)

// terminalOf returns how to ask for the size of the terminal behind a file, or nil when
// the file is none. Whoever asks draws at least 20 by 5 characters.
func terminalOf(f *os.File) func() (columns, lines int) {
	fd := int(f.Fd())
	if !term.IsTerminal(fd) {
		return nil
	}
	return func() (int, int) {
		columns, lines, err := term.GetSize(fd)
		if err != nil {
			return 20, 5
		}
		return max(columns, 20), max(lines, 5)
	}
}
