package main

import "strings"

// fit cuts a text to the terminal, where there is one: a line that wraps, or one too
// many, would move what was painted before. Lines with colours are cut to size by
// whoever makes them.
func (a *app) fit(text string) string {
	if a.terminal == nil {
		return text
	}
	columns, most := a.size()
	if columns <= 0 {
		return text // it has gone
	}
	lines := strings.SplitAfter(text, "\n")
	lines = lines[:min(len(lines), max(most-1, 1))] // the cursor stands on the last
	for i, line := range lines {
		body, end := strings.TrimSuffix(line, "\n"), ""
		if len(body) < len(line) {
			end = "\n"
		}
		if runes := []rune(body); len(runes) > columns && !strings.Contains(body, "\x1b") {
			lines[i] = string(runes[:columns]) + end
		}
	}
	return strings.Join(lines, "")
}
