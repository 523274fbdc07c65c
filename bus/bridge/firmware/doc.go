// Package firmware is the firmware of the bridge, in C: core knows no board, boards/host is the one that runs as a
// process of this machine. The Makefile builds it; this package tests it.
package firmware
