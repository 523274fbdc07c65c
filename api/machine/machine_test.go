package machine

import (
	"regexp"
	"runtime"
	"testing"
	"time"
)

// TestMonotonic: the clock goes as Go's own does, which reads the same.
func TestMonotonic(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("the clocks of other systems are not known")
	}
	begin, err := Monotonic()
	if err != nil {
		t.Fatal(err)
	}
	now := time.Now()
	for time.Since(now) < time.Millisecond {
		runtime.Gosched()
	}
	least := time.Since(now)
	end, err := Monotonic()
	if boot, err := SinceBoot(); err != nil || boot < end {
		t.Errorf("%d ns since the boot, of which %d awake, %v", boot, end, err)
	}
	if went := time.Duration(end - begin); err != nil || begin <= 0 || went < least || went > least+time.Minute {
		t.Errorf("the clock went %v, at least %v have passed, %v", went, least, err)
	}
}

func TestBoot(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("only Linux names its boots")
	}
	if boot := Boot(); !regexp.MustCompile(`^[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}( time:\[\d+\])?$`).MatchString(boot) || boot != Boot() {
		t.Errorf("this boot is called %q", boot)
	}
}
