// Package device tells about the device that drives the array, as a service.
package device

import (
	"context"
	"fmt"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bridge"
	"facetd.example/bus/bridge/wire"
	"facetd.example/daemon/failure"
)

// Config holds what the service depends on.
type Config struct {
	// Status is what is known of the device; nil where none drives the array.
	Status func() bridge.Status
	// SelfTest has the device test itself.
	SelfTest func(ctx context.Context) (bridge.SelfTest, error)
	// Board is the name of the board in the array file; empty where that has none.
	Board string
	// Claim takes the array for a measurement alone.
	Claim func(by string) (release func(), err error)
	// Inputs is what connects the array to the rest of the robot; nil on a bus that is a recording.
	Inputs func() *facetdv1.GetInputsResponse
	// SetInput gives an input of a virtual bus a level, by its index in the array file; nil on any other bus.
	SetInput func(ctx context.Context, input int, high bool) (at bus.Time, changed bool, err error)
}

// Service is the service. Its methods may be called from any goroutine.
type Service struct {
	facetdv1.UnimplementedDeviceServiceServer
	cfg Config
}

// New returns the service.
func New(cfg Config) *Service { return &Service{cfg: cfg} }

// Register registers the service.
func (s *Service) Register(r grpc.ServiceRegistrar) { facetdv1.RegisterDeviceServiceServer(r, s) }

// GetDevice returns what is known of the device.
func (s *Service) GetDevice(context.Context, *facetdv1.GetDeviceRequest) (*facetdv1.GetDeviceResponse, error) {
	if s.cfg.Status == nil {
		return nil, noDevice()
	}
	return &facetdv1.GetDeviceResponse{Device: message(s.cfg.Status())}, nil
}

func noDevice() error {
	return &failure.Precondition{Kind: failure.NoDevice, Subject: "bus",
		Message: "no device drives the array: the bus is another one, or a recording"}
}

// SelfTestDevice has the device test itself.
func (s *Service) SelfTestDevice(ctx context.Context, r *facetdv1.SelfTestDeviceRequest) (
	*facetdv1.SelfTestDeviceResponse, error) {
	switch {
	case s.cfg.Status == nil:
		return nil, noDevice()
	case s.cfg.Board == "":
		return nil, &failure.Precondition{Kind: failure.OtherBoard, Subject: "device.board",
			Message: "the array file does not name its board: give it a section device, with board and pins"}
	case r.GetBoard() != s.cfg.Board:
		return nil, &failure.Precondition{Kind: failure.OtherBoard, Subject: "device.board", Message: fmt.Sprintf(
			"the board of this array is %q, and not %q: take the array off, and name the board", s.cfg.Board,
			r.GetBoard())}
	}
	release, err := s.cfg.Claim("a self-test of the device")
	if err != nil {
		return nil, err
	}
	defer release()
	test, err := s.cfg.SelfTest(ctx)
	if err != nil {
		return nil, &failure.Unavailable{Reason: fmt.Sprintf("the device could not be tested: %v", err)}
	}
	return &facetdv1.SelfTestDeviceResponse{SelfTest: testMessage(&test)}, nil
}

// GetInputs returns what came from the rest of the robot, and what was marked for it.
func (s *Service) GetInputs(context.Context, *facetdv1.GetInputsRequest) (*facetdv1.GetInputsResponse, error) {
	if s.cfg.Inputs == nil {
		return nil, noDevice()
	}
	return s.cfg.Inputs(), nil
}

// SetInput sets the level of an input of a virtual bus.
func (s *Service) SetInput(ctx context.Context, r *facetdv1.SetInputRequest) (*facetdv1.SetInputResponse, error) {
	if s.cfg.SetInput == nil || s.cfg.Inputs == nil {
		return nil, &failure.Precondition{Kind: failure.NotVirtual, Subject: "bus",
			Message: "inputs of a virtual bus can be set; those of a device are wired"}
	}
	for i, in := range s.cfg.Inputs().GetInputs() {
		if in.GetName() != r.GetInput() {
			continue
		}
		at, changed, err := s.cfg.SetInput(ctx, i, r.GetHigh())
		if err != nil {
			return nil, err
		}
		return &facetdv1.SetInputResponse{AtBusNs: at.NS(), Changed: changed}, nil
	}
	return nil, &failure.NotFound{What: "input of the array's device", Name: r.GetInput()}
}

func testMessage(t *bridge.SelfTest) *facetdv1.DeviceSelfTest {
	return &facetdv1.DeviceSelfTest{Required: t.Required, Passed: t.Passed, Skipped: t.Skipped, Failure: t.Failure,
		Outputs: uint32(t.Outputs), Unwired: uint32(t.Unwired), WorstNs: t.Worst.Nanoseconds()}
}

// readingUnits are those of the kinds that a device tells; another kind is in a unit that is not specified.
var readingUnits = map[uint8]facetdv1.ReadingUnit{
	wire.ReadingVolts:   facetdv1.ReadingUnit_READING_UNIT_VOLTS,
	wire.ReadingAmperes: facetdv1.ReadingUnit_READING_UNIT_AMPERES,
	wire.ReadingCelsius: facetdv1.ReadingUnit_READING_UNIT_CELSIUS,
}

// message is a status as the schema has it.
func message(st bridge.Status) *facetdv1.DeviceStatus {
	d := &facetdv1.DeviceStatus{
		Address: st.Address, Connected: st.Connected, Since: timestamppb.New(st.Since), Build: st.Build,
		Boot: fmt.Sprintf("%08x", st.Boot), Protocol: fmt.Sprintf("%d.%d", st.Major, st.Minor),
		Limits: &facetdv1.DeviceLimits{
			TickNs: st.Limits.Grain.Nanoseconds(), ReadyNs: st.Ready.Nanoseconds(),
			LeadNs: st.Limits.LeastLead.Nanoseconds(), ReleaseNs: st.Limits.Release.Nanoseconds(),
			ArmNs: st.Arm.Nanoseconds(), LeaseNs: st.Limits.Lease.Nanoseconds(),
			StoreBytes: uint32(st.Limits.StoreBytes), Programs: uint32(st.Programs),
			Queue: uint32(st.Limits.Queue), Lines: uint32(st.Lines), Lanes: uint32(st.Lanes),
		},
		Clock:    clockMessage(&st.Clock),
		Counters: countersMessage(&st.Counters),
		SelfTest: testMessage(&st.SelfTest),
	}
	for _, r := range st.Readings {
		d.Readings = append(d.Readings, &facetdv1.DeviceReading{Name: r.Name, Unit: readingUnits[r.Kind],
			Value: r.Value, Low: r.Low, High: r.High})
	}
	if st.LastLoss != nil {
		d.LastLoss = st.LastLoss.Error()
	}
	if st.LeastSlack != bus.NoSlack {
		d.LeastSlackNs = new(st.LeastSlack.Nanoseconds())
	}
	return d
}

// clockMessage is nil where nothing is known of the clock.
func clockMessage(c *bridge.Clock) *facetdv1.DeviceClock {
	if c.Uncertainty == 0 {
		return nil
	}
	m := &facetdv1.DeviceClock{OffsetNs: c.Offset.Nanoseconds(), UncertaintyNs: c.Uncertainty.Nanoseconds(),
		LeastRoundTripNs: c.LeastTrip.Nanoseconds(), WorstRoundTripNs: c.WorstTrip.Nanoseconds()}
	if c.Followed {
		m.DriftPpm, m.DriftUncertaintyPpm = new(c.DriftPPM), c.DriftUncertaintyPPM
	}
	return m
}

func countersMessage(c *bridge.Counters) *facetdv1.DeviceCounters {
	return &facetdv1.DeviceCounters{
		Sessions: c.Sessions, Losses: c.Losses, Reboots: c.Reboots, Uploads: c.Uploads, Kept: c.Kept,
		Programs: c.Programs, Runs: c.Runs, LateHost: c.LateHost, LateLink: c.LateLink, LateDevice: c.LateDevice,
		Recalled: c.Recalled, Underruns: c.Underruns, BrokenOff: c.BrokenOff, Sent: c.Sent, Received: c.Received,
		Submitted: c.Submitted, Lost: c.Lost, Rejected: c.Rejected, Contradicted: c.Contradicted,
		Resent: c.Link.Resent, Doubled: c.Link.Doubled, OutOfOrder: c.Link.Ahead, Spoiled: c.Link.Spoiled,
		Unacknowledged: c.Link.Unacknowledged,
	}
}
