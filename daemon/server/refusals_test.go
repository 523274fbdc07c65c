package server

import (
	"context"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
)

// TestRefusalsAreToldSparingly: a few are no event, many are one, and while they go on ever fewer events tell of all of
// them.
func TestRefusalsAreToldSparingly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		counts := map[string]uint64{"no_call": 100, "token_unknown": 7}
		var mu sync.Mutex // time alone orders nothing for the race detector
		refused := func() map[string]uint64 {
			mu.Lock()
			defer mu.Unlock()
			return map[string]uint64{"no_call": counts["no_call"], "token_unknown": counts["token_unknown"]}
		}
		var told []*facetdv1.Event
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() {
			defer close(done)
			tellRefusals(ctx, refused, func(e *facetdv1.Event) {
				mu.Lock()
				defer mu.Unlock()
				told = append(told, e)
			})
		}()
		step := func(d time.Duration, calls, tokens uint64) {
			time.Sleep(d)
			mu.Lock()
			counts["no_call"] += calls
			counts["token_unknown"] += tokens
			mu.Unlock()
			synctest.Wait()
		}
		heard := func() []*facetdv1.Event { // since it was asked last
			mu.Lock()
			defer mu.Unlock()
			defer func() { told = nil }()
			return told
		}
		step(time.Second, refusalsToTell-1, 0)
		step(refusalPeriod, 0, 0)
		step(0, 15, 5)
		step(refusalPeriod, 0, 0)
		if told := heard(); len(told) != 1 || told[0].GetSeverity() != facetdv1.Severity_SEVERITY_WARNING ||
			told[0].GetFields()["token_unknown"].GetInteger() != 5 || !strings.HasPrefix(told[0].GetText(),
			"20 calls, requests and connections were refused within 1m0s: 15 no_call, 5 token_unknown;") {
			t.Fatalf("told %v", told)
		}
		for range 5 * 60 { // five hours of ten a second
			step(time.Minute, 600, 0)
		}
		if told := heard(); len(told) < 5 || len(told) > 11 {
			t.Errorf("five hours of refusals are %d events", len(told))
		}
		step(2*time.Hour, 0, 0) // the rest, then silence
		heard()
		step(time.Second, 1000, 0)
		step(refusalPeriod, 0, 0)
		if told := heard(); len(told) != 1 || told[0].GetFields()["no_call"].GetInteger() != 1000 {
			t.Errorf("after a silence: %v", told)
		}
		cancel()
		<-done
	})
}
