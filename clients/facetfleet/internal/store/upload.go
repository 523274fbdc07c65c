package store

import (
	"bytes"
	"cmp"
	"context"
	"crypto/md5"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/minio/minio-go/v7"
)

const (
	// LeastPart is the smallest part that the S3 interface takes, but for the last one of a file. What is sent again
	// after a link was lost is a part at most, and a part is all that is in memory.
	LeastPart = 5 << 20
	// mostParts of one object that the S3 interface takes.
	mostParts = 10_000
)

// File is what is uploaded.
type File struct {
	// Key of the object, below the store's folder. It must be another one for every other content: an upload that
	// broke off is gone on with by its key.
	Key string
	// Bytes of the file.
	Bytes uint64
	// ReadAt fills a piece from an offset on, or fails.
	ReadAt func(ctx context.Context, piece []byte, offset uint64) error
	// Pace keeps the rate; nil means as fast as it goes.
	Pace *Pace
	// Moved is told the number of bytes that were sent just now; nil means nobody is.
	Moved func(n int)
	// Has is told how many bytes of the file the storage has; nil means nobody is.
	Has func(bytes uint64)
}

// upload is one run of an upload.
type upload struct {
	*Store
	*File
	key  string // of the object in the bucket
	id   string // of the upload; empty while there is none
	has  map[int]minio.ObjectPart
	sum  []byte // MD5s of all parts in order
	done []minio.CompletePart
}

// Upload makes an object of a file, and returns the SHA-256 of its bytes once the storage has acknowledged the whole
// and says that it has it. It reads the file from its beginning and sends the parts that the storage does not have as
// they are in the file. Errors: those of File.ReadAt and of ctx, and what the storage says.
func (s *Store) Upload(ctx context.Context, f *File) (sha string, err error) {
	u := &upload{Store: s, File: f, key: s.folder + f.Key}
	there, err := u.there(ctx)
	if err != nil {
		return "", err
	}
	if sha, err = u.run(ctx, there != ""); err != nil || there == "" || there == u.etag() {
		return sha, err
	}
	// Other bytes lie under the key, or the same ones cut into other parts: they are replaced.
	u = &upload{Store: s, File: f, key: u.key}
	return u.run(ctx, false)
}

// run reads the file from its beginning, and sends it unless the storage has all of it.
func (u *upload) run(ctx context.Context, whole bool) (sha string, err error) {
	f := u.File
	if !whole {
		if err := u.resume(ctx); err != nil {
			return "", err
		}
	}
	part := max(LeastPart, (f.Bytes+mostParts-1)/mostParts)
	all, buffer := sha256.New(), make([]byte, min(part, f.Bytes))
	for number, at := 1, uint64(0); number == 1 || at < f.Bytes; number++ {
		piece := buffer[:min(part, f.Bytes-at)]
		if err := f.ReadAt(ctx, piece, at); err != nil {
			return "", err
		}
		all.Write(piece)
		at += uint64(len(piece))
		if err := u.part(ctx, number, piece, whole); err != nil {
			return "", err
		}
		if f.Has != nil {
			f.Has(at)
		}
	}
	if !whole {
		if err := u.complete(ctx); err != nil {
			return "", err
		}
	}
	return hex.EncodeToString(all.Sum(nil)), nil
}

// there is the tag of the object where the storage has one of the file's length; empty where it has none.
func (u *upload) there(ctx context.Context) (etag string, err error) {
	info, err := u.core.StatObject(ctx, u.bucket, u.key, minio.StatObjectOptions{})
	switch {
	case missing(err) || err == nil && uint64(info.Size) != u.Bytes:
		return "", nil
	case err != nil:
		return "", u.said(err)
	}
	return cmp.Or(strings.Trim(info.ETag, `"`), "none"), nil
}

// resume finds an upload of the file that broke off, and what the storage has of it.
func (u *upload) resume(ctx context.Context) error {
	list, err := u.core.ListMultipartUploads(ctx, u.bucket, u.key, "", "", "", 1000)
	if err != nil {
		return u.said(err)
	}
	for _, l := range list.Uploads {
		if l.Key != u.key {
			continue
		}
		has, err := u.parts(ctx, l.UploadID)
		if missing(err) {
			continue
		}
		if err != nil {
			return u.said(err)
		}
		if u.id == "" || len(has) > len(u.has) {
			u.id, u.has = l.UploadID, has
		}
	}
	return nil
}

// parts are those that the storage has of an upload.
func (u *upload) parts(ctx context.Context, id string) (map[int]minio.ObjectPart, error) {
	has := map[int]minio.ObjectPart{}
	for marker := 0; ; {
		list, err := u.core.ListObjectParts(ctx, u.bucket, u.key, id, marker, 1000)
		if err != nil {
			return nil, err
		}
		for _, p := range list.ObjectParts {
			has[p.PartNumber] = p
		}
		if !list.IsTruncated || list.NextPartNumberMarker <= marker {
			return has, nil
		}
		marker = list.NextPartNumberMarker
	}
}

// part sends a part, unless the storage has it as it is.
func (u *upload) part(ctx context.Context, number int, piece []byte, whole bool) error {
	sum := md5.Sum(piece)
	u.sum = append(u.sum, sum[:]...)
	if whole {
		return nil
	}
	has, is := u.has[number]
	if !is || has.Size != int64(len(piece)) || strings.Trim(has.ETag, `"`) != hex.EncodeToString(sum[:]) {
		var err error
		if has, err = u.send(ctx, number, piece, sum); err != nil {
			return err
		}
	}
	u.done = append(u.done, minio.CompletePart{PartNumber: number, ETag: strings.Trim(has.ETag, `"`)})
	return nil
}

func (u *upload) send(ctx context.Context, number int, piece []byte, sum [md5.Size]byte) (p minio.ObjectPart,
	err error) {
	if u.id == "" {
		if u.id, err = u.core.NewMultipartUpload(ctx, u.bucket, u.key, minio.PutObjectOptions{
			ContentType: "application/octet-stream"}); err != nil {
			return p, u.said(err)
		}
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	hangs := time.AfterFunc(stall, func() { cancel(errHangs) })
	defer hangs.Stop()
	body := &paced{ctx: ctx, from: bytes.NewReader(piece), pace: u.Pace, moved: func(n int) {
		// The storage may take its time with the answer once it has all; that is the transport's to wait for.
		hangs.Reset(2 * stall)
		if u.Moved != nil {
			u.Moved(n)
		}
	}}
	p, err = u.core.PutObjectPart(ctx, u.bucket, u.key, u.id, number, body, int64(len(piece)),
		minio.PutObjectPartOptions{Md5Base64: base64.StdEncoding.EncodeToString(sum[:])})
	if err != nil && errors.Is(context.Cause(ctx), errHangs) {
		err = errHangs
	}
	return p, u.said(err)
}

var errHangs = fmt.Errorf("nothing has moved for %v", stall)

// complete makes the object of its parts and asks the storage whether it has it.
func (u *upload) complete(ctx context.Context) error {
	if _, err := u.core.CompleteMultipartUpload(ctx, u.bucket, u.key, u.id, u.done,
		minio.PutObjectOptions{}); err != nil {
		return u.said(err)
	}
	info, err := u.core.StatObject(ctx, u.bucket, u.key, minio.StatObjectOptions{})
	if err != nil {
		return u.said(err)
	}
	if uint64(info.Size) != u.Bytes {
		return fmt.Errorf("the object storage has %d bytes of %d after it acknowledged all", info.Size, u.Bytes)
	}
	return nil
}

// etag is what the S3 interface calls an object made of these parts.
func (u *upload) etag() string {
	sum := md5.Sum(u.sum)
	return fmt.Sprintf("%x-%d", sum, len(u.sum)/md5.Size)
}

// Drop ends uploads of a key that broke off, for a file that is gone: the storage would keep their parts. What was
// uploaded whole stays.
func (s *Store) Drop(ctx context.Context, key string) error {
	list, err := s.core.ListMultipartUploads(ctx, s.bucket, s.folder+key, "", "", "", 1000)
	if err != nil {
		return s.said(err)
	}
	for _, l := range list.Uploads {
		if l.Key == s.folder+key {
			err = errors.Join(err, s.said(s.core.AbortMultipartUpload(ctx, s.bucket, l.Key, l.UploadID)))
		}
	}
	return err
}

// Fetch writes so many bytes of an object at most, from an offset on: one that is longer than it is said to be must not
// fill a disk.
func (s *Store) Fetch(ctx context.Context, key string, offset, most int64, to io.Writer) error {
	o := minio.GetObjectOptions{}
	if offset > 0 {
		if err := o.SetRange(offset, 0); err != nil {
			return err
		}
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	r, _, _, err := s.core.GetObject(ctx, s.bucket, s.folder+key, o)
	if err != nil {
		return s.said(err)
	}
	defer r.Close()
	hangs := time.AfterFunc(stall, func() { cancel(errHangs) })
	defer hangs.Stop()
	_, err = io.Copy(to, &paced{ctx: ctx, from: io.LimitReader(r, most), moved: func(int) { hangs.Reset(stall) }})
	if err != nil && errors.Is(context.Cause(ctx), errHangs) {
		err = errHangs
	}
	return err
}
