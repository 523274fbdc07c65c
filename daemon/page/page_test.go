package page_test

import (
	"testing"
	"time"
)

func TestFramesAndRates(t *testing.T) {
	d := run(t, nil)
	b := browse(t, "http://"+d.Addresses().HTTP+"/", 1280, 800)
	b.waitFor(`document.querySelectorAll('.tile[data-state="fresh"]').length === 19`, 20*time.Second)
	b.waitFor(`document.querySelectorAll('#rates-table tbody tr').length === 4`, 5*time.Second)
	time.Sleep(4 * time.Second)
	t.Log(b.text("#drawn"))
	b.picture("whole")
	b.sound()
}
