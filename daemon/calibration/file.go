package calibration

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/daemon/calibration/correction"
)

// A correction map's file, integers with the least significant byte first:
//
//	magic     8 bytes
//	head      length in 4 bytes, then a facetd.v1.CorrectionMap without what the file itself says
//	          (id, checksum, file) and what changes (state, age)
//	numbers   length in 4 bytes, then what correction.Encode makes
//	checksum  SHA-256 over everything before it
const (
	fileMagic = "FCTCORR\n"
	// maxHead limits the head: hundreds of levels and shares.
	maxHead = 1 << 20
	// idDigits is how much of the checksum is in a correction map's identity.
	idDigits = 12
)

// Why a file is refused.
var (
	errForeign = errors.New("it is no correction map")
	errDamaged = errors.New("it is damaged or cut short: its checksum does not hold")
)

// OtherArrayError says that a correction map was made for another array. The operator should give
// the daemon that array's file, or calibrate again.
type OtherArrayError struct {
	Array, Digest string // of the correction map
	Mine          string // digest of this daemon's array
}

func (e *OtherArrayError) Error() string {
	return fmt.Sprintf("it was made for array %q as described by %s; the active array is described by %s: calibrate "+
		"again, or bring back that description",
		e.Array, shortDigest(e.Digest), shortDigest(e.Mine))
}

func shortDigest(d string) string { return d[:min(idDigits, len(d))] }

// encodeFile returns the file of a correction map, and fills in what follows from it: checksum and
// identity.
func encodeFile(meta *facetdv1.CorrectionMap, m *correction.Map) ([]byte, error) {
	head := proto.CloneOf(meta)
	head.Id, head.ChecksumSha256, head.State, head.Age, head.File, head.Data = "", "", 0, nil, "", nil
	text, err := proto.MarshalOptions{Deterministic: true}.Marshal(head)
	if err != nil {
		return nil, err
	}
	if len(text) > maxHead {
		return nil, fmt.Errorf("what is to be said of the correction map takes %d bytes, more than %d", len(text),
			maxHead)
	}
	numbers := m.Encode()
	out := make([]byte, 0, len(fileMagic)+8+len(text)+len(numbers)+sha256.Size)
	out = append(out, fileMagic...)
	out = binary.LittleEndian.AppendUint32(out, uint32(len(text)))
	out = append(out, text...)
	out = binary.LittleEndian.AppendUint32(out, uint32(len(numbers)))
	out = append(out, numbers...)
	sum := sha256.Sum256(out)
	identify(meta, sum)
	return append(out, sum[:]...), nil
}

func identify(meta *facetdv1.CorrectionMap, sum [sha256.Size]byte) {
	meta.ChecksumSha256 = hex.EncodeToString(sum[:])
	meta.Id = meta.GetChip() + "-" + meta.GetChecksumSha256()[:idDigits]
}

// decodeFile reads a correction map for an array. The error says why it is refused; meta is what can
// be said of it all the same, or nil. It takes no more memory than a few times the length of
// what it is given.
func decodeFile(data []byte, a *chipmodel.Array) (meta *facetdv1.CorrectionMap, m *correction.Map, err error) {
	rest, is := bytes.CutPrefix(data, []byte(fileMagic))
	if !is {
		return nil, nil, errForeign
	}
	if len(rest) < 8+sha256.Size {
		return nil, nil, errDamaged
	}
	body := data[:len(data)-sha256.Size]
	sum := sha256.Sum256(body)
	if !bytes.Equal(sum[:], data[len(body):]) {
		return nil, nil, errDamaged
	}
	rest = rest[:len(rest)-sha256.Size]
	head, rest, ok := chunk(rest)
	numbers, rest, ok2 := chunk(rest)
	if !ok || !ok2 || len(rest) > 0 || len(head) > maxHead {
		return nil, nil, errForeign
	}
	meta = &facetdv1.CorrectionMap{}
	if err := proto.Unmarshal(head, meta); err != nil {
		return nil, nil, errForeign
	}
	identify(meta, sum)
	if meta.GetArrayDigest() != a.Digest {
		return meta, nil, &OtherArrayError{meta.GetArray(), meta.GetArrayDigest(), a.Digest}
	}
	if m, err = correction.Decode(numbers); err != nil {
		return meta, nil, err
	}
	return meta, m, fits(meta, m, a)
}

// chunk takes a length and as many bytes.
func chunk(b []byte) (head, rest []byte, ok bool) {
	if len(b) < 4 {
		return nil, nil, false
	}
	n := binary.LittleEndian.Uint32(b)
	if b = b[4:]; uint64(n) > uint64(len(b)) {
		return nil, nil, false
	}
	return b[:n], b[n:], true
}

// fits checks what a correction map says of itself against its numbers and the array: a file with a
// good checksum may still have been made by something else.
func fits(meta *facetdv1.CorrectionMap, m *correction.Map, a *chipmodel.Array) error {
	c := a.Chip(meta.GetChip())
	if c < 0 {
		return fmt.Errorf("it is for chip %q, which this array has not", meta.GetChip())
	}
	chip := &a.Chips[c]
	w := meta.GetSettings().GetWindow()
	switch {
	case meta.GetChipClass() != chip.Class.Name || meta.GetClassDigest() != classDigest(chip.Class):
		return fmt.Errorf("it is for a chip of class %q as described by %s; chip %s is of class %q as described by %s",
			meta.GetChipClass(), shortDigest(meta.GetClassDigest()), chip.Name, chip.Class.Name,
			shortDigest(classDigest(chip.Class)))
	case int(meta.GetRows()) != m.Shape.Rows || int(meta.GetColumns()) != m.Shape.Columns ||
		w.GetRows() != meta.GetRows() || w.GetColumns() != meta.GetColumns():
		return fmt.Errorf("it says %d x %d pixels, and holds %d x %d", meta.GetRows(), meta.GetColumns(), m.Shape.Rows,
			m.Shape.Columns)
	case m.Scale != scaleOf(a, chip):
		return fmt.Errorf("its codes mean something else than those of the chip's lane: %+v", m.Scale)
	case !meta.GetCreateTime().IsValid():
		return errors.New("it does not say when it was made")
	}
	return nil
}

// scaleOf is what the codes of a chip mean.
func scaleOf(a *chipmodel.Array, chip *chipmodel.Chip) correction.Scale {
	lane := &a.Lanes[chip.Lane]
	return correction.Scale{
		CodeZeroVolts: lane.CodeZeroVolts(),
		VoltsPerCode:  lane.StepVolts(),
		HighestCode:   uint16(uint64(1)<<lane.Bits - 1),
	}
}
