package metrics

import (
	"facetd.example/bus"
	"facetd.example/bus/bridge"
	"facetd.example/bus/bridge/wire"
)

// Values of labels.
var (
	deviceOutcomes = []string{"executed", "late_host", "late_link", "late_device", "recalled", "underrun", "broken_off",
		"lost", "rejected"}
	deviceTrips  = []string{"shortest", "longest"}
	deviceWays   = []string{"sent", "received"}
	deviceFaults = []string{"resent", "doubled", "out_of_order", "spoiled", "unacknowledged"}
)

// readingNames are those of the metrics, by what is read.
var readingNames = map[uint8]string{wire.ReadingVolts: nameDeviceVolts, wire.ReadingAmperes: nameDeviceAmperes,
	wire.ReadingCelsius: nameDeviceCelsius}

func sendDevice(st bridge.Status, send sender) {
	c := &st.Counters
	send(nameDevice, boolValue(st.Connected))
	send(nameDeviceLosses, float64(c.Losses))
	send(nameDeviceReboots, float64(c.Reboots))
	for i, n := range []uint64{c.Runs, c.LateHost, c.LateLink, c.LateDevice, c.Recalled, c.Underruns, c.BrokenOff,
		c.Lost, c.Rejected} {
		send(nameDeviceRuns, float64(n), deviceOutcomes[i])
	}
	if st.LeastSlack != bus.NoSlack {
		send(nameDeviceSlack, st.LeastSlack.Seconds())
	}
	if st.Clock.Uncertainty > 0 { // it is known
		send(nameDeviceClock, st.Clock.Uncertainty.Seconds())
		send(nameDeviceTrip, st.Clock.LeastTrip.Seconds(), deviceTrips[0])
		send(nameDeviceTrip, st.Clock.WorstTrip.Seconds(), deviceTrips[1])
	}
	if st.Clock.Followed {
		send(nameDeviceDrift, st.Clock.DriftPPM*1e-6)
	}
	send(nameDeviceMessages, float64(c.Sent), deviceWays[0])
	send(nameDeviceMessages, float64(c.Received), deviceWays[1])
	l := &c.Link
	for i, n := range []uint64{l.Resent, l.Doubled, l.Ahead, l.Spoiled, l.Unacknowledged} {
		send(nameDeviceFaults, float64(n), deviceFaults[i])
	}
	send(nameDeviceContradicted, float64(c.Contradicted))
	for _, r := range st.Readings {
		if name := readingNames[r.Kind]; name != "" {
			send(name, r.Value, r.Name)
		}
	}
	if t := &st.SelfTest; t.Required || t.Outputs > 0 {
		send(nameDeviceTested, boolValue(t.Passed))
	}
	send(nameDevicePrograms, float64(c.Programs))
}
