package monitoring

import "testing"

func TestSeriesAreFound(t *testing.T) {
	n, err := NewNames("a:b:rate5m")
	if err != nil {
		t.Fatal(err)
	}
	expression := `sum by (task) (rate(facetd_jobs_total{outcome=~"late or on_time"}[5m])) / on (instance) group_left (pace) a:b:rate5m > 1e3 or vector(0.5) unless up offset 1h`
	if named, wrong := n.Check(expression); named != 3 || len(wrong) > 0 {
		t.Errorf("names %d series, want 3: %v", named, wrong)
	}
}

func TestCheck(t *testing.T) {
	n, err := NewNames("a:b:rate5m")
	if err != nil {
		t.Fatal(err)
	}
	for expression, wrong := range map[string]int{
		`facetd_state{state="fault", job=~"f.*"} == 1`:                     0,
		`histogram_quantile(0.9, rate(facetd_skew_seconds_bucket[1m]))`:    0,
		`go_goroutines + process_cpu_seconds_total + up + a:b:rate5m`:      0,
		`facetd_state{state="faulty"}`:                                     1,
		`facetd_state{state!="faulty"}`:                                    0, // anything may be excluded
		`facetd_state{task="wall"}`:                                        1,
		`facetd_streams_bucket`:                                            1, // no histogram
		`facetd_jobs`:                                                      1,
		`a:c:rate5m or rate(facetd_jobs_total{outcome="tardy"}[5m])`:       2,
		`absent(facetd_nothing{}) or facetd_frames_total{instance="here"}`: 1,
		`rate(facetd_jobs_total)`:                                          1, // of no range
	} {
		if _, got := n.Check(expression); len(got) != wrong {
			t.Errorf("%s: %v, want %d errors", expression, got, wrong)
		}
	}
}
