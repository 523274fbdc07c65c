package wire

// This file describes what goes from the core of the firmware to its board, and from boards whose hardware is modelled
// to the chips behind their pins, in the form of messages.go.

// Kinds of pin events.
const (
	PinSelect  = 1 // the select lines become Word
	PinWrite   = 2 // register Which becomes Value, over Width
	PinStrobe  = 3 // strobe Which, Width long
	PinRow     = 4 // the row address becomes Value
	PinColumn  = 5 // the column address becomes Value
	PinClock   = 6 // Count pulses, Width apart, the first at At
	PinSample  = 7 // Count samples of Lanes, the first at At, Interval apart
	PinRelease = 8 // every line becomes inactive, and what was armed is void
	// PinRoute is of boards whose hardware is modelled: from now on pin Value shows signal Which. RouteBegin as a
	// signal forgets those before; from RouteLane on Which is a lane, and Value its converter.
	PinRoute = 9
	// PinWatch is of them, too: edges at input Which are told from now on; none, where that is NoPin.
	PinWatch = 10
	// PinLook asks for the edges up to At. The answer is as many PinEdge as one look tells.
	PinLook = 11
	PinMark = 12 // the mark, Width long
)

// LookEdges is how many edges one look tells.
const LookEdges = 16

// What PinRoute says beside signals.
const (
	RouteLane  = 128
	RouteBegin = 255
)

// PinEvent is what is to happen at the pins, and when.
type PinEvent struct {
	Kind  uint8
	Which uint8
	Lanes uint16
	Value uint16
	Count uint16
	// Step is, of samples, how many columns or pulses apart they are; 0 where the first one was moved to already.
	Step uint16
	// First says that the first sample is moved to as well.
	First uint8
	// Counts says that moves are pulses, Period apart.
	Counts   uint8
	At       uint64
	Width    uint64
	Interval uint64
	// Lead is how long before its sample a move begins.
	Lead uint64
	Word uint64
}

// PinHello begins the link from a board to the chips that are simulated behind its pins.
type PinHello struct {
	Major  uint16
	TickNs uint32
}

// PinEdge is an edge that an input has seen; input NoPin is none.
type PinEdge struct {
	Input, Level uint8
	At           uint64
}
