package campaign

import (
	"bufio"
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/record"
)

// judgeRecordings: what a recording was given is in its files, once and in order, or counted as lost.
func (o *outcome) judgeRecordings(l *life, dir string) {
	for _, r := range l.recorded {
		if r.info == nil {
			continue // it did not begin
		}
		held, err := framesIn(filepath.Join(dir, "recordings"), r.info)
		if err != nil {
			o.problem("recording %s: %v", r.name, err)
			return
		}
		at := r.from
		for _, fs := range held {
			found := slices.IndexFunc(l.ledger.sets[at:], func(w *facetdv1.FrameSet) bool {
				return w.GetTask() == fs.GetTask() && w.GetJob() == fs.GetJob()
			})
			if found < 0 || !proto.Equal(fs, l.ledger.sets[at+found]) {
				o.problem("recording %s: job %d of %q is unknown, differs, or comes twice or out of order", r.name,
					fs.GetJob(),
					fs.GetTask())
				return
			}
			at += found + 1
		}
		given := uint64(r.until - r.from)
		counted := r.info.GetFrameSets() + r.info.GetLostFrameSets()
		failed := r.info.GetState() == facetdv1.RecordingState_RECORDING_STATE_FAILED
		if int(r.info.GetFrameSets()) != len(held) || !failed && counted != given || failed && counted > given {
			o.problem("recording %s was given %d frame sets and holds %d; it says %v", r.name, given, len(held), r.info)
		}
	}
}

// framesIn are the frame sets that the files of a recording hold.
func framesIn(dir string, info *facetdv1.Recording) ([]*facetdv1.FrameSet, error) {
	var out []*facetdv1.FrameSet
	for _, p := range info.GetParts() {
		path := filepath.Join(dir, p.GetFile())
		if !p.GetClosed() {
			done, err := record.Recover(path)
			if err != nil {
				return nil, err
			}
			path = done.Path
		}
		r, err := record.Open(path)
		if err != nil {
			return nil, err
		}
		for e, err := range r.All() {
			if err != nil {
				_ = r.Close() // it was read only
				return nil, err
			}
			if e.Frames != nil {
				out = append(out, e.Frames)
			}
		}
		_ = r.Close() // it was read only
	}
	return out, nil
}

// judgeEvents: every job that failed or was late is in the events, once.
func (o *outcome) judgeEvents(l *life) {
	const ( // what is counted
		failed = facetdv1.EventKind_EVENT_KIND_JOB_FAILED
		missed = facetdv1.EventKind_EVENT_KIND_DEADLINE_MISSED
		broken = facetdv1.EventKind_EVENT_KIND_RULE_VIOLATION
	)
	type about struct {
		kind facetdv1.EventKind
		task string
	}
	want := map[about]uint64{}
	for _, fs := range l.ledger.sets {
		switch {
		case fs.GetFailure() != "":
			want[about{failed, fs.GetTask()}]++
		case fs.GetLate():
			want[about{missed, fs.GetTask()}]++
		}
	}
	if n := len(l.ledger.violations); n > 0 {
		want[about{broken, ""}] = uint64(n)
	}
	for _, e := range l.events {
		if k := e.GetKind(); k == failed || k == missed || k == broken {
			want[about{k, e.GetTask()}] -= e.GetCount()
		}
	}
	for a, n := range want {
		if n != 0 {
			o.problem("%v of %q: the events lack %d of them", a.kind, a.task, int64(n))
		}
	}
}

// judgeJournal: the events on the disk are numbered upwards, and each that is missing is counted.
func (o *outcome) judgeJournal(dir string) {
	files, err := filepath.Glob(filepath.Join(dir, "events", "events-*.jsonl"))
	if err != nil {
		o.problem("journal: %v", err)
		return
	}
	var held, told, last uint64
	for _, name := range files {
		data, err := os.ReadFile(name)
		if err != nil {
			o.problem("journal: %v", err)
			return
		}
		if len(data) == 0 || !bytes.HasSuffix(data, []byte("\n")) {
			o.problem("journal: %s is empty or ends in a torn line", filepath.Base(name))
		}
		lines := bufio.NewScanner(strings.NewReader(string(data)))
		lines.Buffer(nil, 1<<20)
		for lines.Scan() {
			var e facetdv1.Event
			if err := protojson.Unmarshal(lines.Bytes(), &e); err != nil || e.GetSequence() <= last {
				o.problem("journal: a line after event %d is not the next one: %v", last, err)
				return
			}
			last = e.GetSequence()
			held++
			if e.GetKind() == facetdv1.EventKind_EVENT_KIND_JOURNAL_LOST {
				told += e.GetCount()
			}
		}
	}
	var appended, untold uint64
	for _, l := range o.lives {
		for _, n := range l.journal.Stats().Appended {
			appended += n
		}
		untold += l.journal.Unwritten()
	}
	refused := slices.ContainsFunc(o.lives, func(l *life) bool { return l.disk.strikes(journalSync) > 0 })
	// What was not synced counts as missing, and may be there.
	if n := held + told + untold; n != appended && !(refused && held <= appended && n > appended) {
		o.problem("of %d events the journal holds %d, says that %d are missing and counts %d more", appended, held,
			told,
			untold)
	}
}
