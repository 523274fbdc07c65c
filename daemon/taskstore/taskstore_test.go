package taskstore

import (
	"context"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
)

// A disk that refuses is reported once, counted, and tried again until it holds the last state.
func TestADiskThatRefuses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var full atomic.Bool
		var told []string
		path := filepath.Join(t.TempDir(), "tasks", "tasks.json")
		configured := list(task("a", 1))
		k, err := Open(Config{
			Path: path, Events: func(e *facetdv1.Event) { told = append(told, e.GetText()) },
			write: func(path string, data []byte, mode fs.FileMode) error {
				if full.Load() {
					return syscall.ENOSPC
				}
				return fileio.WriteDurably(path, data, mode)
			},
		}, configured, upTo(100))
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			k.Keep(ctx)
		}()
		holds := func() string {
			synctest.Wait()
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			s, err := Parse(data)
			if err != nil {
				t.Fatal(err)
			}
			r, err := Resolve(s, configured, upTo(100))
			if err != nil {
				t.Fatal(err)
			}
			return show(r.Tasks)
		}
		if got := holds(); got != "a 1" || k.Stats().Unstored != 0 {
			t.Errorf("holds %s, %+v", got, k.Stats())
		}
		full.Store(true)
		k.Applied(list(task("a", 1), task("b", 2)), 2)
		synctest.Wait()
		k.Applied(list(task("a", 1), task("c", 3)), 3)
		if got := holds(); got != "a 1" || k.Stats().Unstored != 2 {
			t.Errorf("holds %s, %+v", got, k.Stats())
		}
		time.Sleep(3 * retryPeriod)
		full.Store(false)
		time.Sleep(retryPeriod)
		if got := holds(); got != "a 1, c 3" || k.Stats().Unstored != 0 || k.Stats().Entries[Made] != 1 {
			t.Errorf("holds %s, %+v", got, k.Stats())
		}
		if len(told) != 2 || !strings.Contains(told[0], "no space left") || !strings.Contains(told[1], "stored again") {
			t.Errorf("told %q", told)
		}
		// One that somebody removes is written again, folder and all.
		if err := os.RemoveAll(filepath.Dir(path)); err != nil {
			t.Fatal(err)
		}
		time.Sleep(retryPeriod)
		if got := holds(); got != "a 1, c 3" {
			t.Errorf("after it was removed it holds %s", got)
		}
		cancel()
		<-ended
	})
}
