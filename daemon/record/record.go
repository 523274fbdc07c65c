// Package record writes what the array does to files in the open MCAP container, and
// reads them back.
//
// A recording is one or more files, NAME-001.mcap, NAME-002.mcap, ... While a file is
// written it is called NAME-001.mcap.partial; it gets its name when its summary is in
// place and synced. Whatever ends the process, the whole chunks of a partial file can
// be read after Recover has closed it; a chunk is written at least every second.
//
// Every file stands alone: it begins with the array and the active timetable. Its
// channels, all protobuf with their schemas embedded:
//
//	/facetd/array            facetd.v1.Array, once
//	/facetd/geometry         facetd.v1.Geometry, once
//	/facetd/correction_maps  facetd.v1.CorrectionMap with its numbers, each that is active at the start, and
//	                         each that becomes active; one that no longer is without them. By their digests
//	                         they are what corrects the frames, which are recorded raw
//	/facetd/plan             facetd.v1.PlanChange, once at the start and at every change
//	/facetd/frames/TASK      facetd.v1.FrameSet of one task
//	/facetd/motion/TASK      facetd.v1.MotionEstimate, on request: what a frame set of the task tells of motion,
//	                         once it is corrected
//	/facetd/captures         facetd.v1.FrameSet of on-demand captures
//	/facetd/status           facetd.v1.Status, every second of the host's clock
//	/facetd/events           facetd.v1.Event, the recording's own losses included
//	/facetd/images/TASK/CHIP/VIEW and /facetd/capture_images/CHIP/VIEW
//	                         foxglove.RawImage, on request: one frame, for viewers
//	/facetd/cameras/TASK/CHIP/VIEW and /facetd/capture_cameras/CHIP/VIEW
//	                         foxglove.CameraCalibration of these images, before the first of a file and where
//	                         the window has moved; its frame id is that of the images, the chip
//	/facetd/transforms       foxglove.FrameTransforms, once in each file with images: where these frames (x right,
//	                         y down, z ahead) are in the frame "body" (x forward, y left, z up)
//
// A message's log time is the bus time at which the daemon knew of it, as host time
// (UTC); its publish time is the bus time at which it was finished, the same way.
// Images have the sampling time of their first pixel as publish time; of a pair, the first is logged before the second
// by as much as its light is. Log times of one
// channel rise; a status may be some milliseconds ahead of frame sets after it.
//
// Closed files can be downloaded, from any offset on, and recordings that are not being written deleted: by request, or
// as Config.Keep says.
//
// The bus never waits for a recording: frame sets go into a queue limited in number
// and bytes, and when it is full the newest is dropped and counted, and the gap is
// marked in the file by an event before the next message. A disk that fails or fills
// ends the recording, not the bus.
package record

import (
	"fmt"
	"io"
	"regexp"
	"strconv"
	"time"

	"go.uber.org/zap"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/daemon/events"
	"facetd.example/daemon/failure"
)

// Profile is the profile in the header of every file.
const Profile = "facetd"

// Topics.
const (
	TopicArray    = "/facetd/array"
	TopicGeometry = "/facetd/geometry"
	TopicMaps     = "/facetd/correction_maps"
	TopicPlan     = "/facetd/plan"
	TopicFrames   = "/facetd/frames/" // and the task
	TopicMotion   = "/facetd/motion/" // and the task
	TopicCaptures = "/facetd/captures"
	TopicStatus   = "/facetd/status"
	TopicEvents   = "/facetd/events"
	TopicImages   = "/facetd/images/" // and task/chip/view
	// TopicCaptureImages is for frames of on-demand jobs: and chip/view.
	TopicCaptureImages = "/facetd/capture_images/"
	// TopicCameras and TopicCaptureCameras are for the calibration of such images.
	TopicCameras        = "/facetd/cameras/"
	TopicCaptureCameras = "/facetd/capture_cameras/"
	// TopicTransforms is for where the chips of such images are.
	TopicTransforms = "/facetd/transforms"
)

const (
	// DefaultPartBytes is the size at which a file is closed where none is given.
	DefaultPartBytes = 2 << 30
	// MinPartBytes is the least size of a file that may be asked for.
	MinPartBytes = 64 << 10
	// MaxRunning is how many recordings may run at once.
	MaxRunning = 4
	// MaxQueueLength and MaxQueueBytes limit what waits for the disk, of one recording.
	MaxQueueLength = 1024
	MaxQueueBytes  = 256 << 20
	// MaxMessageBytes limits one message; larger frame sets are counted as lost.
	MaxMessageBytes = 256 << 20
	// ChunkBytes is the size at which a chunk is written.
	ChunkBytes = 1 << 20
	// DefaultKeepFree is the free space of the disk below which recordings end.
	DefaultKeepFree = 256 << 20

	closedSuffix  = ".mcap"
	partialSuffix = ".mcap.partial"
	restSuffix    = ".rest" // and a number, of what recovery put aside

	statusPeriod = time.Second
	syncPeriod   = 5 * time.Second
)

// Config holds what recordings depend on.
type Config struct {
	// Dir is the folder of the recordings; it is made when it is not there.
	Dir string
	// Modes of its files and of the folder.
	Modes fileio.Modes
	// Array that runs.
	Array *chipmodel.Array
	// HostTime maps bus time to host time; any goroutine may call it.
	HostTime func(at bus.Time) (time.Time, time.Duration)
	// Now is the bus time; any goroutine may call it.
	Now func() bus.Time
	// Status says which tasks there are, and is written every second; nil writes none, and a chunk that is not full
	// then waits for the next message.
	Status func() *facetdv1.Status
	// Maps returns the active correction maps with their numbers; nil where there are none.
	Maps func() []*facetdv1.CorrectionMap
	// Correct begins the correction of a frame set as it ends, and returns what completes it on another goroutine;
	// Motion makes what estimates motion from the corrected frame sets of one recording, one after another. nil where
	// no motion can be recorded.
	Correct func(*facetdv1.FrameSet) func() *facetdv1.FrameSet
	Motion  func() func(*facetdv1.FrameSet) *facetdv1.MotionEstimate
	// Events is notified of what happened to recordings, on their goroutines. It may give the
	// event to Manager.Event.
	Events events.Sink
	// Labels are written into every file, such as the version and the seed.
	Labels map[string]string
	// KeepFree is the free space of the disk, in bytes, below which recordings end and none
	// begins; 0 means DefaultKeepFree.
	KeepFree uint64
	// Keep says which recordings are kept.
	Keep   Keeping
	Logger *zap.Logger

	// QueueLength is how many messages of one recording may wait for the disk; 0 means MaxQueueLength.
	QueueLength int
	// Disk, where set, puts something around every file that is begun: for tests of a disk that fails or is slow.
	Disk func(File) File

	geometry *facetdv1.Geometry // of the array
	chips    map[string]*facetdv1.ChipGeometry
	// For tests within the package.
	create func(path string) (file, error)
	free   func(dir string) (uint64, error)
	clock  func() time.Time
}

type file = File

// File is what a part is written to.
type File interface {
	io.Writer
	Sync() error
	Close() error
}

// NoFreeSpaceError says that the disk has too little free space. The caller should delete
// recordings.
type NoFreeSpaceError struct{ Free, KeepFree uint64 }

func (e *NoFreeSpaceError) Error() string {
	return fmt.Sprintf("the disk of the recordings has %d MiB free, and %d MiB are kept free", e.Free>>20,
		e.KeepFree>>20)
}

func (e *NoFreeSpaceError) Unwrap() error {
	return &failure.Precondition{Kind: failure.NoFreeSpace, Subject: "disk"}
}

var errStopped = &failure.Unavailable{Reason: "the daemon is going down"}

func errNone(name string) error { return &failure.NotFound{What: "recording", Name: name} }

func errNotRunning(name string) error {
	return &failure.NotFound{What: "running recording", Name: name}
}

var validName = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$`)

// part is one file of a recording by its name: NAME-NNN.mcap or NAME-NNN.mcap.partial.
type part struct {
	recording string
	number    int
	closed    bool
}

var partName = regexp.MustCompile(`^([A-Za-z0-9][A-Za-z0-9._-]{0,63})-([0-9]{3,9})(\.mcap|\.mcap\.partial)$`)

func parsePart(file string) (part, bool) {
	m := partName.FindStringSubmatch(file)
	if m == nil {
		return part{}, false
	}
	n, err := strconv.Atoi(m[2])
	if err != nil || n < 1 {
		return part{}, false
	}
	return part{recording: m[1], number: n, closed: m[3] == closedSuffix}, true
}

func (p part) file() string {
	suffix := partialSuffix
	if p.closed {
		suffix = closedSuffix
	}
	return fmt.Sprintf("%s-%03d%s", p.recording, p.number, suffix)
}

// createExclusive opens a new file and locks it, so that nobody recovers it while it is
// written.
func createExclusive(path string, modes fileio.Modes) (file, error) {
	f, err := modes.Create(path, 0)
	if err != nil {
		return nil, err
	}
	if err := lock(f); err != nil {
		_ = f.Close()
		return nil, err
	}
	return f, nil
}
