package scene

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/jpeg"
	"image/png"
	"io"
)

// MaxPictureBytes is how much of an encoded picture is read at most.
const MaxPictureBytes = 256 << 20

var (
	// ErrPictureFormat means that the data is neither PNG nor JPEG.
	ErrPictureFormat = errors.New("picture is neither PNG nor JPEG")
	// ErrPictureTooLarge means that the picture has more than MaxPixels.
	ErrPictureTooLarge = errors.New("picture is too large")
)

// pictureFormat is one encoding, told by how its data begins.
type pictureFormat struct {
	name, magic string
	config      func(io.Reader) (image.Config, error)
	decode      func(io.Reader) (image.Image, error)
}

// The two are listed here rather than registered with package image, whose
// table is shared by the whole process.
var pictureFormats = []pictureFormat{
	{"PNG", "\x89PNG\r\n\x1a\n", png.DecodeConfig, png.Decode},
	{"JPEG", "\xff\xd8\xff", jpeg.DecodeConfig, jpeg.Decode},
}

// Decode reads a PNG or JPEG picture. Its size is checked before memory for its
// pixels is taken. Errors match ErrPictureFormat or ErrPictureTooLarge, or tell
// what is damaged.
func Decode(r io.Reader) (image.Image, error) {
	if r == nil {
		return nil, &ParamError{Param: "r", Value: r, Want: "a reader"}
	}
	r = io.LimitReader(r, MaxPictureBytes)
	head := make([]byte, 8)
	n, err := io.ReadFull(r, head)
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		return nil, fmt.Errorf("read picture: %w", err)
	}
	head = head[:n]
	for _, f := range pictureFormats {
		if bytes.HasPrefix(head, []byte(f.magic)) {
			return f.read(io.MultiReader(bytes.NewReader(head), r))
		}
	}
	return nil, fmt.Errorf("%w: begins with % x", ErrPictureFormat, head)
}

// read decodes the header from a copy of what it consumes, then the whole.
func (f pictureFormat) read(r io.Reader) (image.Image, error) {
	var seen bytes.Buffer
	config, err := f.config(io.TeeReader(r, &seen))
	if err != nil {
		return nil, fmt.Errorf("%s header: %w", f.name, err)
	}
	if config.Width < 1 || config.Height < 1 {
		return nil, fmt.Errorf("%s picture is empty: %d by %d pixels", f.name, config.Width, config.Height)
	}
	if config.Width > MaxPixels/config.Height {
		return nil, fmt.Errorf("%w: %d by %d pixels, at most %d pixels", ErrPictureTooLarge,
			config.Width, config.Height, MaxPixels)
	}
	img, err := f.decode(io.MultiReader(&seen, r))
	if err != nil {
		return nil, fmt.Errorf("%s picture: %w", f.name, err)
	}
	return img, nil
}
