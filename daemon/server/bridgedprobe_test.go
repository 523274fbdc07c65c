package server

import (
	"context"
	"errors"
	"io"
	"math"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/api/yamlfile"
	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/config"
	"facetd.example/deploy"
)

// TestProbeThroughTheBridge: of faults behind the pins of a device a probe concludes what it does of the same ones on
// the virtual bus, chip by chip, from the same readouts.
func TestProbeThroughTheBridge(t *testing.T) {
	t.Parallel()
	file := probedArray(t)
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	a, wrong := arrayfile.ParseArray(file, data)
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	last := a.Chips[len(a.Chips)-1].Name
	cases := map[string][]*facetdv1.Fault{
		"lines swapped": {
			{Kind: facetdv1.FaultKind_FAULT_KIND_LINES_SWAPPED, Line: a.Lines[len(a.Lines)-1],
				OtherLine: a.Lines[len(a.Lines)-2]}},
		"a lane at full scale": {{Kind: facetdv1.FaultKind_FAULT_KIND_LANE_SATURATED, Lane: a.Lanes[0].Name}},
	}
	if peertest.All() {
		cases["none"] = nil
		cases["a line that is always active, and a dead chip"] = []*facetdv1.Fault{
			{Kind: facetdv1.FaultKind_FAULT_KIND_LINE_STUCK_ACTIVE, Line: a.Lines[len(a.Lines)-3]},
			{Kind: facetdv1.FaultKind_FAULT_KIND_CHIP_DEAD, Chip: a.Chips[1].Name}}
		cases["an open input"] = []*facetdv1.Fault{
			{Kind: facetdv1.FaultKind_FAULT_KIND_INPUT_OPEN_ACTIVE, Chip: last, Input: 1}}
	}
	for name, faults := range cases {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			rig := bridgetest.Start(t, bridgetest.Config{Array: a, Scene: scene.Uniform(100), Faults: faults})
			cfg := Setup{Config: config.Default()}
			cfg.Array, cfg.Scene, cfg.Tasks, cfg.Seed = file, "uniform:100", config.None, 0
			cfg.Listen = config.Listen{GRPC: "127.0.0.1:0"}
			cfg.Logger = zap.NewNop()
			virtual := cfg
			cfg.Bus = config.BridgeTo + rig.Address
			virtual.Grain, virtual.Pace = 40, config.Free
			got, want := probed(t, bridgedServer(t, cfg), nil), probed(t, newServer(t, virtual), faults)
			idleLevels(t, got, want)
			if !proto.Equal(got, want) {
				t.Errorf("through the bridge:\n%v\non the virtual bus:\n%v", prototext.Format(got),
					prototext.Format(want))
			}
			if is := want.GetVerdict(); (is == facetdv1.ProbeVerdict_PROBE_VERDICT_FAULT_FREE) != (faults == nil) {
				t.Errorf("the verdict is %v", is)
			}
		})
	}
}

// probedArray is the file of the array to probe: the demo's where all cases are looked at, which takes a minute each,
// and otherwise a smaller one.
func probedArray(t *testing.T) string {
	t.Helper()
	data := deploy.CrawlerArray
	if !peertest.All() {
		var err error
		if data, err = yamlfile.Marshal(bustest.LinearMessage()); err != nil {
			t.Fatal(err)
		}
	}
	file := filepath.Join(t.TempDir(), "array.yaml")
	if err := os.WriteFile(file, data, 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// idleLevels compares what undriven lanes show, which is noise: the bus reads them at other times. It takes it out.
func idleLevels(t *testing.T, got, want *facetdv1.ProbeResult) {
	t.Helper()
	if len(got.GetLanes()) != len(want.GetLanes()) {
		t.Fatalf("%d lanes, want %d", len(got.GetLanes()), len(want.GetLanes()))
	}
	for i, l := range want.GetLanes() {
		g := got.GetLanes()[i]
		if math.Abs(g.GetIdleCode()-l.GetIdleCode()) > 1 {
			t.Errorf("lane %s is idle at %v, want %v", l.GetLane(), g.GetIdleCode(), l.GetIdleCode())
		}
		for _, l := range []*facetdv1.ProbedLane{g, l} {
			l.IdleCode, l.IdleSpreadCodes = 0, 0
		}
	}
}

func newServer(t *testing.T, cfg Setup) *Server {
	t.Helper()
	s, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// probed runs a server, gives it faults where it can have them, and returns what a probe concludes without its times.
func probed(t *testing.T, s *Server, faults []*facetdv1.Fault) *facetdv1.ProbeResult {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.Run(ctx) }()
	p := &process{Server: s, t: t}
	defer func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}()
	conn := p.dial(p.Addresses().GRPC)
	if faults != nil {
		if _, err := facetdv1.NewFaultServiceClient(conn).SetFaults(limited(t),
			&facetdv1.SetFaultsRequest{Faults: faults}); err != nil {
			t.Fatal(err)
		}
	}
	for try := 1; ; try++ { // a busy machine may stand still for longer than the device allows for
		out, err := probeOnce(t, facetdv1.NewProbeServiceClient(conn))
		if err == nil {
			return out
		}
		if try == 5 {
			t.Fatal(err)
		}
		t.Logf("try %d: %v", try, err)
	}
}

// probeOnce probes once.
func probeOnce(t *testing.T, c facetdv1.ProbeServiceClient) (*facetdv1.ProbeResult, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), peertest.Cases(patience, 10*patience))
	defer cancel()
	stream, err := c.ProbeSelects(ctx, &facetdv1.ProbeSelectsRequest{})
	var out *facetdv1.ProbeResult
	for err == nil {
		var m *facetdv1.ProbeSelectsResponse
		if m, err = stream.Recv(); m.GetResult() != nil {
			out = m.GetResult()
		}
	}
	if errors.Is(err, io.EOF) && out != nil {
		return out, nil
	}
	return nil, err
}

// TestAStartThatIsGivenUp: a daemon that is asked to end while it waits for a device that does not answer does so.
func TestAStartThatIsGivenUp(t *testing.T) {
	t.Parallel()
	path := t.TempDir() + "/link"
	l, err := net.Listen("unix", path) // whoever connects waits in its queue
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	cfg := Setup{Config: config.Default()}
	cfg.Bus, cfg.Listen = config.BridgeTo+"unix:"+path, config.Listen{GRPC: "127.0.0.1:0"}
	cfg.Logger = zap.NewNop()
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	cfg.Starting = ctx
	began := time.Now()
	if s, err := New(cfg); err == nil || s != nil {
		t.Fatalf("it started: %v", err)
	}
	if took := time.Since(began); took > 2*time.Second {
		t.Errorf("it took %v", took)
	}
}
