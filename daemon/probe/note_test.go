package probe

import (
	"slices"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/bustest"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/probe/diagnosis"
)

// faulty is the virtual bus as the service knows it.
type faulty struct{ *virtual.Bus }

func (f faulty) Contended() uint64 {
	n, _ := f.Contentions()
	return n
}

// TestProbesAndFaultsAreReported: faults put into the bus, what a probe then measured and inferred, and that they were
// cleared, are events and counts.
func TestProbesAndFaultsAreReported(t *testing.T) {
	a := bustest.MustArray()
	simulated, err := virtual.New(virtual.Config{Array: a, Scene: scene.Uniform(50), Pace: facetdv1.Pace_PACE_FREE,
		Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	var told []*facetdv1.Event
	s := New(Config{
		Array: a, Runner: &bench{a: a, bus: simulated}, Now: simulated.Now, Faulty: faulty{simulated},
		Events: func(e *facetdv1.Event) { told = append(told, e) },
	})
	probe := func() *facetdv1.ProbeResult {
		m, err := s.Probe(t.Context(), diagnosis.Options{Thorough: true},
			func(*facetdv1.ProbeProgress) error { return nil })
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	dead := &facetdv1.Fault{Kind: facetdv1.FaultKind_FAULT_KIND_CHIP_DEAD, Chip: "m1"}
	short := &facetdv1.Fault{Kind: facetdv1.FaultKind_FAULT_KIND_INPUT_SHORTED, Chip: "c0", Input: 1, OtherLine: "x1"}
	if _, err := s.SetFaults(t.Context(), &facetdv1.SetFaultsRequest{Faults: []*facetdv1.Fault{dead,
		short}}); err != nil {
		t.Fatal(err)
	}
	if st := s.Stats(); st.Injected != 2 || st.Probed || !st.Virtual {
		t.Errorf("%+v", st)
	}
	if m := probe(); m.GetVerdict() != facetdv1.ProbeVerdict_PROBE_VERDICT_FAULTY {
		t.Errorf("%v", m)
	}
	if st := s.Stats(); st.Silent != 1 || st.Answering+st.NotMeasured != 6 ||
		st.Probes[facetdv1.ProbeVerdict_PROBE_VERDICT_FAULTY] != 1 {
		t.Errorf("%+v", st)
	}
	if _, err := s.ClearFaults(t.Context(), &facetdv1.ClearFaultsRequest{}); err != nil {
		t.Fatal(err)
	}
	probe()
	if st := s.Stats(); st.Injected != 0 || st.Answering != 7 || st.Silent != 0 {
		t.Errorf("%+v", st)
	}
	type event struct {
		kind     facetdv1.EventKind
		severity facetdv1.Severity
		text     string
		chips    []string
	}
	const injected, probed = facetdv1.EventKind_EVENT_KIND_FAULTS_INJECTED, facetdv1.EventKind_EVENT_KIND_PROBE
	want := []event{
		{injected, facetdv1.Severity_SEVERITY_WARNING, "faults were put into the virtual bus: chip dead, chip m1; " +
			"input shorted, chip c0, input 1, to line x1", []string{"m1", "c0"}},
		{probed, facetdv1.Severity_SEVERITY_ERROR, "", []string{"m1"}},
		{injected, facetdv1.Severity_SEVERITY_INFO, "the virtual bus has no faults", nil},
		{probed, facetdv1.Severity_SEVERITY_WARNING,
			"probe of the select lines: no fault is needed to explain what was " +
				"seen, but 1 cannot be excluded; measured: 7 of 7 chips answer to their own word", nil},
	}
	if len(told) != len(want) {
		t.Fatalf("%d events: %v", len(told), told)
	}
	for i, w := range want {
		e := told[i]
		if e.GetKind() != w.kind || e.GetSeverity() != w.severity || w.text != "" && e.GetText() != w.text ||
			!slices.Equal(e.GetChips(), w.chips) {
			t.Errorf("event %d: %v, want %+v", i, e, w)
		}
	}
	if f := told[1].GetFields(); f["verdict"].GetText() != "faulty" || f["silent_chips"].GetInteger() != 1 {
		t.Errorf("%v", f)
	}
}
