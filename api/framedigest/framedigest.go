// Package framedigest sums up frame sets, so that two runs can be compared without
// keeping their frames: equal digests mean the same codes at the same bus times.
//
// It stands in the api room because the clients and the daemon must agree on it.
package framedigest

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"hash"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Digest is a running SHA-256 (FIPS 180-4) over frame sets. The zero value is not
// usable; use New. It is not safe for concurrent use.
type Digest struct {
	h    hash.Hash
	sets uint64
}

// New returns an empty digest.
func New() *Digest { return &Digest{h: sha256.New()} }

// Add appends a frame set: task, job and its bus times, then of each frame the
// chip, the view, the bus times and the codes. Host times are left out, because
// they differ between runs. Strings and data go in with their length before them,
// numbers as 64 bits, least significant byte first.
func (d *Digest) Add(fs *facetdv1.FrameSet) {
	d.sets++
	d.text(fs.GetTask())
	d.numbers(int64(fs.GetJob()), fs.GetReleaseBusNs(), fs.GetDeadlineBusNs(), fs.GetStartBusNs(), fs.GetFinishBusNs(),
		int64(len(fs.GetFrames())))
	for _, f := range fs.GetFrames() {
		d.text(f.GetChip())
		d.text(f.GetView())
		d.numbers(f.GetLightBusNs(), f.GetFirstSampleBusNs(), f.GetLastConvertedBusNs(), int64(len(f.GetData())))
		d.h.Write(f.GetData())
	}
}

// Sets is the number of frame sets added.
func (d *Digest) Sets() uint64 { return d.sets }

// Sum returns the digest so far, in hexadecimal; more may be added afterwards.
func (d *Digest) Sum() string { return hex.EncodeToString(d.h.Sum(nil)) }

func (d *Digest) text(s string) {
	d.numbers(int64(len(s)))
	d.h.Write([]byte(s))
}

func (d *Digest) numbers(v ...int64) {
	var b [8]byte
	for _, n := range v {
		binary.LittleEndian.PutUint64(b[:], uint64(n))
		d.h.Write(b[:])
	}
}
