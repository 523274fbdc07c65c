package wire

// This file is the one description of what goes over the links: the Go codec reads these structs, and the C header of
// the firmware is generated from them, comments included (go test ./bus/bridge/wire -update). Every field has a fixed
// width, integers are little-endian, nothing is padded. All times are ticks of the device's clock, whose length in
// nanoseconds the device tells in Welcome.

// The protocol's version. Another major version is refused; a newer minor version only adds what an older peer ignores.
const (
	Major = 1
	Minor = 3
)

// Minor versions that have added something which a host may need.
const (
	MinorPins = 1 // Pins
	MinorSync = 2 // Sync
	MinorStop = 3 // Stop; Missed, for hosts that know of it
)

// Bounds of what goes over the links.
const (
	// MaxPayload is the longest payload of a frame, in bytes.
	MaxPayload = 1024
	// MaxSlots is how many values a run can have that are given anew with every run.
	MaxSlots = 16
	// MaxTrain is how many samples of a lane one pin event asks for, at most.
	MaxTrain = 128
	// MaxLanes is how many lanes one device converts.
	MaxLanes = 8
	// MaxTimes is how many times one Times message carries.
	MaxTimes = 64
	// NoPin stands where nothing is wired to a pin.
	NoPin = 255
	// MaxWindow is how many frames of one direction are on their way at most: Ack tells of that many.
	MaxWindow = 64
)

// What a frame carries. From 128 on it has no number: it may be lost or come twice.
const (
	TypeConfig   = 2
	TypeProgram  = 3
	TypeDrop     = 4
	TypeSubmit   = 5
	TypeCancel   = 6
	TypeRelease  = 7
	TypePins     = 8
	TypeSelfTest = 9
	TypeSync     = 10
	TypeWelcome  = 65
	TypeReply    = 66
	TypeData     = 67
	TypeTimes    = 68
	TypeResult   = 69
	TypeReleased = 70
	TypeSafe     = 72
	TypeTested   = 73
	TypeReading  = 74
	TypeEdge     = 75
	TypeMissed   = 76
	TypeHello    = 128
	TypeAlive    = 129
	TypeAck      = 130
	TypeClock    = 131
	TypeRefused  = 132
	TypeStop     = 133
)

// What becomes of a message that is replied to.
const (
	ReplyOK       = 0
	ReplyForm     = 1  // it cannot be read
	ReplyOrder    = 2  // it comes before what must precede it
	ReplyFull     = 3  // the store has no room
	ReplyUnsound  = 4  // the program could never run; Detail is its operation
	ReplyLines    = 5  // the board has fewer lines or lanes
	ReplyBusy     = 6  // the program is run, or about to be
	ReplyDense    = 7  // the board cannot arm the program as fast as it runs; Detail is its operation
	ReplyUnknown  = 8  // there is no such program
	ReplyShort    = 9  // its payload is too short, or its type unknown
	ReplyMore     = 10 // a part of a program has arrived; the next may come
	ReplyHazard   = 11 // the stop input is active, or something is outside its limits
	ReplyPins     = 12 // the board lacks these pins, or has others than the host says; Detail is why
	ReplyUntested = 13 // the board has not passed its self-test for this build and these pins
)

// What becomes of a run.
const (
	ResultWhole    = 0 // every operation ran
	ResultLate     = 1 // refused: nothing of it was executed
	ResultRecalled = 2 // taken back before anything of it was executed
	ResultUnderrun = 3 // broken off: an operation could not be armed in time
	ResultStopped  = 4 // broken off by a release
	ResultLease    = 5 // broken off as the host was not heard any more
	ResultFault    = 6 // broken off by a fault of the board
)

// Why a run was late.
const (
	CauseNone   = 0
	CauseHost   = 1 // handed over too late
	CauseLink   = 2 // handed over in time, and arrived too late
	CauseDevice = 3 // arrived in time, and was not made ready
)

// Why a device is in its safe state, where all lines are inactive, until the next handshake.
const (
	SafeBoot    = 0
	SafeLease   = 1 // the host was not heard for the lease
	SafeLink    = 2 // the link was reset
	SafeSession = 3 // another host has taken over
	SafeFault   = 4 // of the board
	SafeStop    = 5 // the stop input is active
	SafeLimit   = 6 // a supply, current or temperature is outside its limits
)

// Why a host cannot have a device.
const (
	RefusedVersion = 1 // another major version of the protocol
	RefusedInUse   = 2 // another host uses it
	RefusedTaken   = 3 // another host has taken it over
)

// Kinds of operations of a program.
const (
	OpSelect = 1
	OpWrite  = 2
	OpStrobe = 3
	OpWait   = 4
	OpScan   = 5
)

// Strobes of the bus.
const (
	StrobeLoad    = 1
	StrobeShare   = 2
	StrobeReset   = 3
	StrobeAdvance = 4
	StrobeExpose  = 5
)

// Signals of an array: what an output of a board is wired to, by number.
const (
	SignalSelect = 0  // the first of 64 select lines
	SignalStrobe = 63 // to which the number of the strobe is added
	SignalNumber = 69 // the lowest of 3 bits of the register's number
	SignalValue  = 72 // the lowest of 8 bits of the value that is written
	SignalWrite  = 80 // writes it
	SignalRow    = 81 // the lowest of 12 bits of the row address
	SignalColumn = 93 // the lowest of 12 bits of the column address
	SignalClock  = 105
	Signals      = 106
	SignalMark   = 106 // which is none of the array: Sync says where it is
)

// What is asked of the self-test.
const (
	TestRun  = 0 // that it is done
	TestTell = 1 // whether it was passed
	TestSkip = 2 // nothing: an operator says that the array may run without it, in this session
)

// What became of a self-test.
const (
	TestPassed  = 0 // for this build and these pins
	TestNever   = 1 // it was not passed for them yet
	TestMissing = 2 // an edge that was armed was not measured
	TestExtra   = 3 // an edge was measured that nothing had armed
	TestTime    = 4 // an edge was measured at another time than it was armed for
	TestLate    = 5 // the board could not arm an edge in time
	TestUnwired = 6 // a select line or strobe is wired to no input
	TestBroken  = 7 // broken off: the stop input is active, or something is outside its limits
)

// What a reading is of.
const (
	ReadingVolts   = 1
	ReadingAmperes = 2
	ReadingCelsius = 3
	// MaxReadings is how many a board has.
	MaxReadings = 16
)

// Why a board does not take its pins.
const (
	PinsDigest    = 1 // they are not what the digest was made of
	PinsTwice     = 2 // a pin or converter serves twice
	PinsLoop      = 3 // an input is wired to an output that serves nothing, or is an output itself
	PinsConverter = 4 // there is no such converter
	PinsMissing   = 5 // the board lacks a pin, or none were given to one that has no numbering of its own
)

// Flags of a scan.
const (
	ScanCounts = 1 // pixels are passed by clock pulses; otherwise they are addressed
	ScanLight  = 2 // its first sample is when light is sampled, which a run may mark
)

// Flags of a run.
const (
	SubmitLate = 1 // it was handed over too late already
	SubmitMark = 2 // light that it samples is marked: where loads begin, and first samples of scans that say so
)

// Inputs of a device from the rest of a robot.
const (
	MaxInputs   = 8
	EdgeRising  = 1 // that edges to a high level are told
	EdgeFalling = 2 // that others are
	// MostEdges is how many edges are on their way to the host, or wait for that, at most: results share the link.
	MostEdges = 32
)

// Header begins every frame.
type Header struct {
	// Type says what the payload is.
	Type uint8
	// Version is the major version of the protocol.
	Version uint8
	// Length of the payload in bytes.
	Length uint16
	// Session is what the host has chosen in its Hello.
	Session uint32
	// Boot is of the device: another one each time that it begins anew. 0 where the host does not know it yet.
	Boot uint32
	// Seq numbers the frames of a session in one direction, from 1; behind the highest comes 0. A frame that is not
	// acknowledged is sent again, and one that comes twice is taken once.
	Seq uint32
	// Ack is the number of the last frame of the other direction before which none is missing.
	Ack uint32
}

// Hello begins a session: whatever was before is released and recalled. The answer is Welcome or Refused. Session
// numbers are chosen at random, and not used again.
type Hello struct {
	Major, Minor uint16
	// Window is how many frames the host takes that it has not acknowledged.
	Window uint16
	// TakeOver says that the device is wanted even where another host uses it.
	TakeOver uint8
	// Owner tells hosts apart: one that has lost its session takes its own device again.
	Owner uint64
	// Name of the host, for others who want the device.
	Name [32]uint8
}

// Ack acknowledges what Header.Ack says, and says what has come behind a frame that is missing: bit i of Got stands for
// the frame Header.Ack + 2 + i.
type Ack struct {
	Got uint64
}

// Refused says that a host cannot have the device, or no more.
type Refused struct {
	Code uint8
	// Major and Minor are the device's version of the protocol.
	Major, Minor uint16
	// Holder is who uses it.
	Holder [32]uint8
	// HeardUs is how long ago that host was heard, in microseconds.
	HeardUs uint64
}

// Welcome tells what a device is.
type Welcome struct {
	Major, Minor uint16
	// TickNs is the length of a tick of the device's clock in nanoseconds.
	TickNs uint32
	// Build tells builds of the firmware apart.
	Build [16]uint8
	// Now is the device's time.
	Now uint64
	// Ready is how long before its start a run must have arrived.
	Ready uint64
	// Release is the longest from when the device takes up a stop, of which Released tells, to all lines inactive.
	Release uint64
	// ArmCost is what it takes to arm one pin event, at most.
	ArmCost uint64
	// Store is the size of the store of programs in bytes.
	Store uint32
	// Programs is how many of them there can be, Queue how many runs.
	Programs, Queue uint16
	// Lines and Lanes are how many there are.
	Lines, Lanes uint8
	// Why the device was in its safe state.
	Safe uint8
	// Held is how many programs are kept from before: their Reply messages follow.
	Held uint8
	// Window is how many frames the device takes that it has not acknowledged.
	Window uint16
	// Emulated says that the device's clock does not go as time does: the host follows it, whatever it does.
	Emulated uint8
}

// Config configures the device for an array and ends its safe state. The answer is Reply.
type Config struct {
	// Lease is for how long the device goes on without hearing of its host.
	Lease uint64
	// Lines and Lanes are how many the array has.
	Lines, Lanes uint8
}

// Pins says which pins of the board are wired to what, between Hello and Config. The answer is Reply, whose Detail is
// the digest of what the board has now; every session says it anew. Without it a board takes its own numbering, if it
// has one.
type Pins struct {
	// Digest is the CRC-32 of what comes behind it: the device makes it of what it has.
	Digest uint32
	// Outputs are the pins by what they are wired to: signals, of which NoPin stands for those that are not there.
	Outputs [106]uint8
	// Loops are the inputs that those outputs are wired to for a self-test, or NoPin.
	Loops [106]uint8
	// Converters are those of the lanes, or NoPin.
	Converters [8]uint8
}

// Sync says which pins are for the rest of a robot, behind Pins and before Config. The answer is Reply, with a Detail
// as that to Pins. Without it there are none.
type Sync struct {
	// Digest is the CRC-32 of what comes behind it: the device makes it of what it has.
	Digest uint32
	// Mark is the output that marks light, or NoPin, and Width for how long it is active: not beyond the operation that
	// it marks.
	Mark  uint8
	Width uint64
	// Inputs are told of, or NoPin, and Edges says which of their edges.
	Inputs [8]uint8
	Edges  [8]uint8
}

// Edge is an edge at an input from the rest of a robot.
type Edge struct {
	// Input is its index in Sync, and Level what it has changed to.
	Input, Level uint8
	// Missed is how many edges of this input were not told since the session began, as too many were on their way.
	Missed uint32
	At     uint64
}

// Missed says how many edges of an input were not told since the session began, where none has come since that could
// say so.
type Missed struct {
	Input, Spare uint8
	Missed       uint32
}

// SelfTest is about the self-test, between Hello and Config: outputs that are wired to inputs are driven one after
// another, and the edges that the inputs measure are held against those that were armed. Nothing else may be connected
// that takes harm from it. The answer is Tested.
type SelfTest struct {
	// What is one of Test...
	What uint8
}

// Tested says what became of a self-test.
type Tested struct {
	Code uint8
	// Required says that the board runs no array before it has passed.
	Required uint8
	// Outputs that were tested, and others that are wired to no input.
	Outputs, Unwired uint8
	// Signal, Input and Level are those of the edge with which it failed.
	Signal, Input, Level uint8
	// Planned and Measured are when it was to happen and did.
	Planned, Measured uint64
	// Worst is by how much an edge was measured at another time than it was armed for, at most.
	Worst uint64
}

// Reading is what a board measures of itself or its array: a supply, a current or a temperature, in thousandths of its
// unit. Outside of Low and High the device is in its safe state. Hosts of a minor version that knows of it are told all
// of them before a configuration is answered, once a second, and before Safe.
type Reading struct {
	// Index of Count readings.
	Index, Count uint8
	Kind         uint8
	Name         [16]uint8
	Value        int32
	Low, High    int32
	At           uint64
}

// Program brings a part of a program, which follows. Each is answered by Reply before the next comes.
type Program struct {
	// Hash tells programs apart by their content.
	Hash [16]uint8
	// Length of the whole, and where this part of it begins, in bytes.
	Length, Offset uint32
}

// Drop drops a program. The answer is Reply.
type Drop struct {
	Index uint16
}

// Submit hands over one run of a program. Values of its slots follow, four bytes each. The answer is Result.
type Submit struct {
	Id uint32
	// Taken is the last run whose result the host has seen: behind one that failed, what was submitted without
	// knowing is recalled.
	Taken uint32
	Start uint64
	Index uint16
	// Flags are those of a run.
	Flags uint8
	// Slots is how many values follow.
	Slots uint8
}

// Cancel recalls what starts after a time and was not yet begun to be armed.
type Cancel struct {
	After uint64
}

// Release makes every line inactive at once. The answer is Released, after the results of what it breaks off.
type Release struct {
	Id uint32
}

// Stop is a Release that overtakes what was sent before it, and may be lost: that follows, with the same number, which
// is higher than that of any before. Runs that come in between are recalled. The answer is Released, once.
type Stop struct {
	Id uint32
}

// Alive says that the host is there. The answer is Clock. Tokens rise, so that one that comes late does not count.
type Alive struct {
	Token uint32
}

// Reply answers a message.
type Reply struct {
	To   uint8
	Code uint8
	// Index is the program that is meant.
	Index  uint16
	Detail uint32
	Hash   [16]uint8
	// Answers is the number of the frame that is answered.
	Answers uint32
}

// Data has the codes of samples, which follow, two bytes each.
type Data struct {
	Id uint32
	// Op is the operation of the program, Row and Column where in its window the codes begin.
	Op, Row, Column uint16
	Lane            uint8
	Spare           uint8
	// At is when the first of them was sampled, as measured.
	At uint64
}

// Times has the measured times at which operations began, which follow, eight bytes each.
type Times struct {
	Id uint32
	// First is the operation of the first.
	First uint16
}

// Result says what became of a run.
type Result struct {
	Id    uint32
	Code  uint8
	Cause uint8
	// Ran is how many operations ran whole.
	Ran uint16
	// Start and End as measured.
	Start, End uint64
	// Device is the device's time when it was judged.
	Device uint64
	// Slack is how much later the run could have arrived.
	Slack int64
}

// Released says when every line was inactive.
type Released struct {
	Id                 uint32
	Received, Inactive uint64
}

// Clock answers Alive.
type Clock struct {
	Token uint32
	Now   uint64
}

// Safe says that the device is in its safe state: only Hello is heard.
type Safe struct {
	Why uint8
	Now uint64
}

// Head begins a program. Its slots follow, and then its operations.
type Head struct {
	Ops   uint16
	Slots uint16
	// Duration of a run.
	Duration uint64
}

// Slot are the bounds of a value that is given anew with every run.
type Slot struct {
	Low, High int32
}

// Select makes all lines inactive, and those of Word active a dead time later.
type Select struct {
	Kind     uint8
	Word     uint64
	Dead     uint64
	Duration uint64
}

// Write writes a register.
type Write struct {
	Kind     uint8
	Register uint8
	// Slot gives the value, counted from 1; 0 is none.
	Slot     uint8
	Value    uint16
	Duration uint64
}

// Strobe gives a strobe Delay after the operation begins.
type Strobe struct {
	Kind   uint8
	Strobe uint8
	// Slot gives how long before the end of the operation the strobe begins, counted from 1; 0 is none.
	Slot     uint8
	Delay    uint64
	Width    uint64
	Duration uint64
}

// Wait lets time pass.
type Wait struct {
	Kind     uint8
	Duration uint64
}

// Scan reads a window of pixels.
type Scan struct {
	Kind  uint8
	Flags uint8
	// RowSlot and ColumnSlot are added to Row and Column; counted from 1, 0 is none.
	RowSlot, ColumnSlot uint8
	Lanes               uint16
	// The window. Pixels are ColumnStep and RowStep apart.
	Rows, Columns       uint16
	RowStep, ColumnStep uint16
	// Of the lattice.
	LatticeRows, LatticeColumns uint16
	Row, Column                 int32
	// Step is the time of one step of the address or counter, RowTime that of one from row to row.
	Step, RowTime uint64
	// Settle is how long the lanes settle before they are sampled.
	Settle uint64
	// Interval is from pixel to pixel, RowInterval from row to row.
	Interval, RowInterval uint64
	// Lead is how long before its sample a pixel's move begins, RowLead the same of the first pixel of a row.
	Lead, RowLead uint64
	// Conversion is how long the last conversion takes.
	Conversion uint64
	Duration   uint64
}
