// Package layout has tests alone: the repository is as DEVELOPERS.md says. Imports run one way and are those of
// the table of rooms, pure rooms are pure, and files, functions and lines keep to the sizes agreed on.
package layout
