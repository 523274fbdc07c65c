//go:build unix

package main

import (
	"os"

	"golang.org/x/sys/unix"
)

// terminalOf returns how to ask for the size of the terminal behind a file, or
// nil when the file is none.
func terminalOf(f *os.File) func() (columns, lines int) {
	size := func() (int, int) {
		ws, err := unix.IoctlGetWinsize(int(f.Fd()), unix.TIOCGWINSZ)
		if err != nil {
			return 0, 0
		}
		return max(int(ws.Col), 20), max(int(ws.Row), 5)
	}
	if columns, _ := size(); columns == 0 {
		return nil
	}
	return size
}
