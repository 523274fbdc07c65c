package bridge

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/store"
	"facetd.example/clients/facetfleet/internal/subject"
)

// Uploads say what of the daemon's recordings goes into object storage.
type Uploads struct {
	// Store takes the files; nil means that none is uploaded, nor told of.
	Store *store.Store
	// AskedOnly leaves on the robot what nobody asks for; otherwise every finished recording is uploaded.
	AskedOnly bool
	// Rate is how many bytes a second are sent; 0 means 512 KiB.
	Rate int64
	// Look is how often the daemon is asked for recordings; 0 means 10 s.
	Look time.Duration
}

const (
	onRobot   = fleetv1.FileState_FILE_STATE_ON_ROBOT
	wanted    = fleetv1.FileState_FILE_STATE_WANTED
	uploading = fleetv1.FileState_FILE_STATE_UPLOADING
	stored    = fleetv1.FileState_FILE_STATE_STORED
	gone      = fleetv1.FileState_FILE_STATE_GONE
)

// recordings uploads files one after the other, the oldest first, and keeps the hub's index of them. It deletes
// nothing on the robot: that the storage has acknowledged a file is no proof that it can be had again.
type recordings struct {
	Uploads
	b       *Bridge
	records facetdv1.RecordServiceClient
	pace    *store.Pace

	putting sync.Mutex // so that what is told last is what is so
	mu      sync.Mutex
	files   map[string]*fleetv1.RecordingFile // by key in the index; nil until the hub has told what it has
	untold  map[string]bool                   // keys of files of which the hub does not know the newest
	counts  fleetv1.Uploads
	asked   chan struct{}
	undrop  string // why what broke off of a file that is gone could not be dropped last
}

func newRecordings(b *Bridge, u Uploads) *recordings {
	u.Rate, u.Look = cmp.Or(u.Rate, 512<<10), cmp.Or(u.Look, 10*time.Second)
	return &recordings{Uploads: u, b: b, records: facetdv1.NewRecordServiceClient(b.cfg.Daemon.Conn()),
		pace: store.NewPace(u.Rate), untold: map[string]bool{}, asked: make(chan struct{}, 1)}
}

// run looks for finished recordings and uploads them until ctx ends.
func (r *recordings) run(ctx context.Context) error {
	if r.Store == nil {
		return nil
	}
	for pause := time.Second; ctx.Err() == nil; {
		busy, err := r.round(ctx)
		if denied := new(hub.DeniedError); errors.As(err, &denied) {
			return fmt.Errorf("recordings: %w", err)
		}
		wait := r.Look
		switch {
		case err != nil && ctx.Err() == nil:
			r.b.cfg.Log("recordings: " + err.Error())
			wait, pause = pause, min(2*pause, time.Minute)
		case busy:
			wait, pause = 0, time.Second
		default:
			pause = time.Second
		}
		r.mu.Lock()
		r.counts.Trouble = ""
		if err != nil {
			r.counts.Trouble = err.Error()
		}
		r.mu.Unlock()
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
		case <-timer.C:
		case <-r.asked:
		}
		timer.Stop()
	}
	return nil
}

// round looks once and uploads one file, if one is wanted.
func (r *recordings) round(ctx context.Context) (busy bool, err error) {
	if err := r.look(ctx); err != nil {
		return false, err
	}
	r.drop(ctx)
	key, f := r.next()
	if f == nil {
		return false, nil
	}
	err = r.upload(ctx, key, f)
	if err != nil {
		if why := err.Error(); ctx.Err() == nil {
			r.tell(ctx, key, func(f *fleetv1.RecordingFile) { f.Trouble = why })
		}
		err = fmt.Errorf("%s: %w", f.GetFile(), err)
	}
	return err == nil, err
}

// next is the file that goes next: one that is on its way already, or the oldest that is wanted. One that had trouble
// keeps no other waiting; where all had, the one goes that was tried the longest ago.
func (r *recordings) next() (key string, next *fleetv1.RecordingFile) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for _, k := range slices.Sorted(maps.Keys(r.files)) {
		f := r.files[k]
		if (f.GetState() == wanted || f.GetState() == uploading) && (next == nil || sooner(f, next)) {
			key, next = k, f
		}
	}
	if next != nil {
		next = proto.CloneOf(next)
	}
	return key, next
}

func sooner(a, b *fleetv1.RecordingFile) bool {
	switch troubled := a.GetTrouble() != ""; {
	case troubled != (b.GetTrouble() != ""):
		return !troubled
	case troubled:
		return a.GetTime().AsTime().Before(b.GetTime().AsTime())
	}
	return cmp.Or(cmp.Compare(b.GetState(), a.GetState()),
		a.GetStartTime().AsTime().Compare(b.GetStartTime().AsTime())) < 0
}

// look compares the recordings of the daemon with the index.
func (r *recordings) look(ctx context.Context) error {
	if err := r.remember(ctx); err != nil {
		return fmt.Errorf("the index at the hub: %w", err)
	}
	there, err := r.list(ctx)
	if err != nil {
		return err
	}
	r.mu.Lock()
	changed := slices.Collect(maps.Keys(r.untold))
	for key, f := range there {
		// One that is gone is there again where its disk was away; without times another file may have its key.
		old := r.files[key]
		if old == nil || old.GetState() == gone || old.GetBytes() != f.GetBytes() {
			r.files[key] = f
			changed = append(changed, key)
		} else if old.GetState() == onRobot && f.GetState() == wanted { // an earlier bridge waited to be asked
			old.State = wanted
			changed = append(changed, key)
		}
	}
	for key, f := range r.files {
		if there[key] == nil && f.GetState() != stored && f.GetState() != gone {
			f.State, f.Trouble = gone, ""
			changed = append(changed, key)
		}
	}
	r.mu.Unlock()
	slices.Sort(changed)
	for _, key := range slices.Compact(changed) {
		if err = r.put(ctx, key, nil); err != nil {
			break
		}
	}
	return err
}

// drop ends what broke off of uploads of files that are gone: the storage would keep their parts. The index has the
// object of such a file until that is done, also by a later bridge; a storage that refuses it keeps no upload waiting.
func (r *recordings) drop(ctx context.Context) {
	r.mu.Lock()
	objects := map[string]string{}
	for key, f := range r.files {
		if f.GetState() == gone && f.GetKey() != "" {
			objects[key] = f.GetKey()
		}
	}
	r.mu.Unlock()
	why := ""
	for _, key := range slices.Sorted(maps.Keys(objects)) {
		if err := r.Store.Drop(ctx, objects[key]); err != nil {
			why = "what was uploaded of a file that is gone: " + err.Error()
			break
		}
		r.tell(ctx, key, func(f *fleetv1.RecordingFile) {
			if f.GetState() == gone { // it may be there again
				f.Key, f.Store, f.SentBytes = "", "", 0
			}
		})
	}
	if why != "" && why != r.undrop && ctx.Err() == nil {
		r.b.cfg.Log(why)
	}
	r.undrop = why
}

// remember asks the hub once what its index has of the robot.
func (r *recordings) remember(ctx context.Context) error {
	r.mu.Lock()
	known := r.files != nil
	r.mu.Unlock()
	if known {
		return nil
	}
	files := map[string]*fleetv1.RecordingFile{}
	err := r.b.cfg.Hub.Values(ctx, subject.Recordings, subject.RecordingsOf(r.b.cfg.Robot), subject.Key(r.b.cfg.Robot),
		func(key string, data []byte) error {
			f := &fleetv1.RecordingFile{}
			err := proto.Unmarshal(data, f)
			files[key] = f
			return err
		})
	if err != nil {
		return err
	}
	r.mu.Lock()
	r.files = files
	r.mu.Unlock()
	return nil
}

// list are the files of the daemon's finished recordings by their keys in the index.
func (r *recordings) list(ctx context.Context) (map[string]*fleetv1.RecordingFile, error) {
	files := map[string]*fleetv1.RecordingFile{}
	state := wanted
	if r.AskedOnly {
		state = onRobot
	}
	for q := (&facetdv1.ListRecordingsRequest{}); ; {
		ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
		page, err := r.records.ListRecordings(ctx, q)
		cancel()
		if err != nil {
			return nil, err
		}
		if page.GetUnavailable() != "" {
			return nil, fmt.Errorf("the daemon has no recordings: %s", page.GetUnavailable())
		}
		for _, rec := range page.GetRecordings() {
			if rec.GetState() != facetdv1.RecordingState_RECORDING_STATE_CLOSED &&
				rec.GetState() != facetdv1.RecordingState_RECORDING_STATE_FAILED {
				continue
			}
			for _, p := range rec.GetParts() {
				if p.GetClosed() {
					files[subject.Recording(r.b.cfg.Robot, p.GetFile(), rec.GetStartTime().AsTime())] =
						&fleetv1.RecordingFile{Robot: r.b.cfg.Robot, Recording: rec.GetName(), File: p.GetFile(),
							Bytes: p.GetBytes(), StartTime: rec.GetStartTime(), EndTime: rec.GetEndTime(),
							FrameSets: rec.GetFrameSets(), State: state}
				}
			}
		}
		if q.PageToken = page.GetNextPageToken(); q.PageToken == "" {
			return files, nil
		}
	}
}

// put tells the hub's index of a file, after a change of it.
func (r *recordings) put(ctx context.Context, key string, change func(*fleetv1.RecordingFile)) error {
	r.putting.Lock()
	defer r.putting.Unlock()
	r.mu.Lock()
	f := r.files[key]
	if change != nil {
		change(f)
	}
	f.Time = timestamppb.Now()
	data, err := proto.Marshal(f)
	r.untold[key] = true
	r.mu.Unlock()
	if err != nil {
		return err
	}
	if err := r.b.putIn(ctx, subject.Recordings, key, data); err != nil {
		if full := new(jetstream.APIError); errors.As(err, &full) && full.Description == "maximum bytes exceeded" {
			err = fmt.Errorf("the hub's index is full (hub-streams --bucket-bytes): %w", err)
		}
		return err
	}
	r.mu.Lock()
	delete(r.untold, key)
	r.mu.Unlock()
	return nil
}

// tell is put where the upload goes on without the hub: what it has not heard it hears with the next part.
func (r *recordings) tell(ctx context.Context, key string, change func(*fleetv1.RecordingFile)) {
	if err := r.put(ctx, key, change); err != nil && ctx.Err() == nil {
		r.b.cfg.Log("the index of recordings: " + err.Error())
	}
}
