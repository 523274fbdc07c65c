// Package container holds the Containerfile and its tests; it has no other code.
package container
