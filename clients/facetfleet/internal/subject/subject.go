// Package subject names what goes over the hub: the subjects, streams and buckets, and how names of robots and tasks
// become parts of them. A task may be called a.*.>, which in a subject would mean something else.
package subject

import (
	"fmt"
	"strings"
	"time"
	"unicode/utf8"
)

// Streams and buckets of the hub.
const (
	Events     = "FACET_EVENTS"
	Status     = "facet_status"
	Desired    = "facet_desired"
	Recordings = "facet_recordings"
)

// Prefixes of subjects. Commands stand apart from data: who listens to all data must not be taken for a robot that
// answers, and so hide from a sender that none does.
const (
	eventPrefix = "facet.event."
	framePrefix = "facet.frame."
	thumbPrefix = "facet.thumb."
	viewer      = "facetcmd.viewer."
	operator    = "facetcmd.operator."
)

// MaxName is how long a name may be, in bytes.
const MaxName = 128

const hexadecimal = "0123456789ABCDEF"

// Escape makes one part of a subject, or of a key of a bucket, of any text: letters and digits of ASCII, - and _ stay,
// every other byte becomes = with two hexadecimal digits. An empty text is = alone. Unescape gives the text back.
func Escape(name string) string {
	if name == "" {
		return "="
	}
	var b strings.Builder
	for i := range len(name) {
		if c := name[i]; plain(c) {
			b.WriteByte(c)
		} else {
			b.WriteByte('=')
			b.WriteByte(hexadecimal[c>>4])
			b.WriteByte(hexadecimal[c&15])
		}
	}
	return b.String()
}

func plain(c byte) bool {
	return 'a' <= c && c <= 'z' || 'A' <= c && c <= 'Z' || '0' <= c && c <= '9' || c == '-' || c == '_'
}

// Unescape is the text that Escape made a part of. Only what Escape makes is taken, so that no two parts stand for one
// name.
func Unescape(part string) (string, error) {
	if part == "=" {
		return "", nil
	}
	var b strings.Builder
	for i := 0; i < len(part); i++ {
		if part[i] != '=' {
			b.WriteByte(part[i])
			continue
		}
		if i+2 >= len(part) {
			return "", fmt.Errorf("%q ends within an escape", part)
		}
		high, low := strings.IndexByte(hexadecimal, part[i+1]), strings.IndexByte(hexadecimal, part[i+2])
		if high < 0 || low < 0 {
			return "", fmt.Errorf("%q has an escape without two hexadecimal digits", part)
		}
		b.WriteByte(byte(high<<4 | low))
		i += 2
	}
	if name := b.String(); name != "" && Escape(name) == part {
		return name, nil
	}
	return "", fmt.Errorf("%q is not a name as it is escaped", part)
}

// CheckName says what is wrong with the name of a robot.
func CheckName(name string) error {
	switch {
	case name == "":
		return fmt.Errorf("a robot needs a name")
	case len(name) > MaxName:
		return fmt.Errorf("the name of a robot has at most %d bytes, not %d", MaxName, len(name))
	case !utf8.ValidString(name):
		return fmt.Errorf("the name of a robot is text in UTF-8, not %q", name)
	}
	return nil
}

// Event is where the events of a robot go.
func Event(robot string) string { return eventPrefix + Escape(robot) }

// RobotOfEvent is the robot whose events go to a subject.
func RobotOfEvent(of string) (string, error) { return Unescape(strings.TrimPrefix(of, eventPrefix)) }

// AllEvents is where the events of all robots go.
func AllEvents() string { return eventPrefix + "*" }

// Frame is where frame sets of a task of a robot go.
func Frame(robot, task string) string { return framePrefix + Escape(robot) + "." + Escape(task) }

// Frames is where frame sets of all tasks of a robot go.
func Frames(robot string) string { return framePrefix + Escape(robot) + ".*" }

// Thumbnail is where small pictures of a task of a robot go.
func Thumbnail(robot, task string) string { return thumbPrefix + Escape(robot) + "." + Escape(task) }

// Thumbnails is where small pictures of all tasks of a robot go.
func Thumbnails(robot string) string { return thumbPrefix + Escape(robot) + ".*" }

// ForViewers is where a robot takes commands that a viewer may give.
func ForViewers(robot string) string { return viewer + Escape(robot) }

// ForOperators is where a robot takes commands that take an operator.
func ForOperators(robot string) string { return operator + Escape(robot) }

// Reader is what the hub calls a reader of events that it remembers.
func Reader(name string) string { return "reader-" + Escape(name) }

// Key is the key of a robot in a bucket.
func Key(robot string) string { return Escape(robot) }

// InBucket is the subject under which a bucket stores the value of a key.
func InBucket(bucket, key string) string { return "$KV." + bucket + "." + key }

// BucketStream is the stream behind a bucket.
func BucketStream(bucket string) string { return "KV_" + bucket }

// Newest asks a stream for its newest message of one subject. Unlike a question for any message of a stream it can be
// granted for a subject alone.
func Newest(stream, of string) string { return "$JS.API.DIRECT.GET." + stream + "." + of }

// Inbox is where answers to the holder of a key go, by the public half of it.
func Inbox(public string) string { return "_INBOX_" + public }

// Recording is the key of a file of a recording in the bucket of recordings. Names of recordings are given again once
// one was deleted: which it is says when it began.
func Recording(robot, file string, start time.Time) string {
	return fmt.Sprintf("%s.%s.%d", Escape(robot), Escape(file), start.UnixNano())
}

// RecordingsOf are the keys of all files of a robot's recordings.
func RecordingsOf(robot string) string { return Escape(robot) + ".*.*" }

// RobotOfRecording is the robot that a key of the bucket of recordings is granted to.
func RobotOfRecording(key string) (string, error) {
	robot, _, _ := strings.Cut(key, ".")
	return Unescape(robot)
}
