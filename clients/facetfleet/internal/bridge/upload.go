package bridge

import (
	"context"
	"fmt"
	"path"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/clients/facetfleet/internal/store"
	"facetd.example/clients/facetfleet/internal/subject"
	"facetd.example/clients/go/facet"
)

// upload puts a file into the object storage, and tells the index so once that is done.
func (r *recordings) upload(ctx context.Context, key string, f *fleetv1.RecordingFile) error {
	first, err := r.read(ctx, f.GetFile(), "", 0, nil)
	if err != nil {
		return err
	}
	if first.GetTotalBytes() != f.GetBytes() {
		return fmt.Errorf("it has %d bytes and not the %d that were listed", first.GetTotalBytes(), f.GetBytes())
	}
	// The tag is another for every other file: nothing is ever put where another file lies.
	object := path.Join(subject.Escape(f.GetRobot()), first.GetEtag(), f.GetFile())
	r.tell(ctx, key, func(f *fleetv1.RecordingFile) {
		f.State, f.Key, f.Store, f.Trouble = uploading, object, r.Store.String(), ""
	})
	sha, err := r.Store.Upload(ctx, &store.File{Key: object, Bytes: f.GetBytes(), Pace: r.pace,
		ReadAt: func(ctx context.Context, piece []byte, offset uint64) error {
			_, err := r.read(ctx, f.GetFile(), first.GetEtag(), offset, piece)
			return err
		},
		Moved: func(n int) {
			r.mu.Lock()
			r.counts.SentBytes += uint64(n)
			r.mu.Unlock()
		},
		Has: func(bytes uint64) {
			r.mu.Lock()
			r.counts.Trouble = "" // it goes on
			r.mu.Unlock()
			r.tell(ctx, key, func(f *fleetv1.RecordingFile) { f.SentBytes = bytes })
		}})
	if err != nil {
		return err
	}
	r.b.cfg.Log(fmt.Sprintf("%s is in the object storage, %d bytes", f.GetFile(), f.GetBytes()))
	// Without the hub's acknowledgement the file is gone through once more, and found to be there.
	err = r.put(ctx, key, func(f *fleetv1.RecordingFile) { f.State, f.Sha256, f.SentBytes = stored, sha, f.GetBytes() })
	for pause := time.Second; err != nil; pause = min(2*pause, 10*time.Second) {
		r.b.cfg.Log("the index of recordings: " + err.Error())
		r.mu.Lock()
		r.counts.Trouble = err.Error() // no other file goes before it is told
		r.mu.Unlock()
		if !sleep(ctx, pause) {
			return ctx.Err()
		}
		err = r.put(ctx, key, nil)
	}
	r.mu.Lock()
	r.counts.StoredFiles++
	r.mu.Unlock()
	return nil
}

// read fills a piece of a file from the daemon; a nil piece is only asked about. The daemon is asked for each piece
// anew: one that is not read for some time is given up by it, and the link may be slow.
func (r *recordings) read(ctx context.Context, file, etag string, offset uint64, piece []byte) (
	first *facetdv1.DownloadRecordingResponse, err error) {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	s, err := r.records.DownloadRecording(ctx, &facetdv1.DownloadRecordingRequest{File: file, Offset: offset,
		Etag: etag})
	if err != nil {
		return nil, err
	}
	for filled := 0; first == nil || filled < len(piece); {
		m, err := s.Recv()
		if err != nil {
			return nil, fmt.Errorf("reading it from the daemon at %d: %w", offset+uint64(filled), err)
		}
		if m.GetOffset() != offset+uint64(filled) || len(m.GetData()) == 0 && filled < len(piece) {
			return nil, fmt.Errorf("the daemon gives what is at %d where %d is asked for", m.GetOffset(),
				offset+uint64(filled))
		}
		if first == nil {
			first = m
		}
		filled += copy(piece[filled:], m.GetData())
	}
	return first, nil
}

// want asks for the files of a recording, and answers once the hub has it in its index: a bridge that is started anew
// goes on with it.
func (r *recordings) want(ctx context.Context, recording string) (*fleetv1.RecordingFiles, error) {
	if r.Store == nil {
		return nil, &facet.Error{Code: codes.FailedPrecondition,
			Message: "the bridge of the robot was given no object storage (--s3)"}
	}
	if err := r.look(ctx); err != nil {
		return nil, err
	}
	answer := &fleetv1.RecordingFiles{}
	for key, f := range r.of(recording) {
		if f.GetState() == onRobot {
			if err := r.put(ctx, key, func(f *fleetv1.RecordingFile) {
				if f.GetState() == onRobot {
					f.State = wanted
				}
			}); err != nil {
				return nil, err
			}
		}
	}
	for _, f := range r.of(recording) {
		answer.Files = append(answer.Files, f)
	}
	if len(answer.GetFiles()) == 0 {
		return nil, &facet.Error{Code: codes.NotFound,
			Message: fmt.Sprintf("the robot has no finished recording %q", recording)}
	}
	select {
	case r.asked <- struct{}{}:
	default:
	}
	return answer, nil
}

// of are the files of a recording that are not gone, as they are now.
func (r *recordings) of(recording string) map[string]*fleetv1.RecordingFile {
	r.mu.Lock()
	defer r.mu.Unlock()
	files := map[string]*fleetv1.RecordingFile{}
	for key, f := range r.files {
		if f.GetRecording() == recording && f.GetState() != gone {
			files[key] = proto.CloneOf(f)
		}
	}
	return files
}

// status is what the robot's status says of uploads; nil where there are none.
func (r *recordings) status() *fleetv1.Uploads {
	if r.Store == nil {
		return nil
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	u := proto.CloneOf(&r.counts)
	for _, f := range r.files {
		if f.GetState() == wanted || f.GetState() == uploading {
			u.WaitingFiles++
			u.WaitingBytes += f.GetBytes() - min(f.GetBytes(), f.GetSentBytes())
		}
	}
	return u
}
