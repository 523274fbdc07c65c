//go:build !linux

package link

import "os"

// queued is how many bytes wait in the driver of a port to be sent: nothing is known of that here.
func queued(*os.File) int { return 0 }
