package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

func (a *app) recordDownloadCommand() *cobra.Command {
	var dir string
	cmd := &cobra.Command{
		Use:   "download NAME",
		Short: "Copy the files of a recording here",
		Long: `download copies the closed files of a recording into a folder. While a file is on its way
it is called FILE.download; a download that broke off goes on where it stopped when it is
asked for again. Files that are complete here are left as they are; where one of the same
name has another size, nothing is overwritten. Of a recording that is being written it copies
the files that are closed.`,
		Example: `  facetctl record download bend
  facetctl record download bend --dir drives`,
		Args: cli.Args("NAME"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.stream(cmd, func(ctx context.Context, c *client) error {
				r, err := c.record.GetRecording(ctx, &facetdv1.GetRecordingRequest{Name: args[0]})
				if err != nil {
					return err
				}
				return downloadAll(ctx, cmd, c.record, r.GetRecording(), dir)
			})
		},
	}
	cmd.Flags().StringVar(&dir, "dir", ".", "folder of the copies; it is made where it is not there")
	return cmd
}

// downloaded is a copied file.
type downloaded struct {
	File  string `json:"file"`
	Bytes uint64 `json:"bytes"`
}

func downloadAll(ctx context.Context, cmd *cobra.Command, records facetdv1.RecordServiceClient,
	r *facetdv1.Recording, dir string) error {
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return err
	}
	for _, p := range r.GetParts() {
		if !p.GetClosed() {
			fmt.Fprintf(cmd.ErrOrStderr(), "%s is not closed and is left out\n", p.GetFile())
			continue
		}
		// The name comes from the daemon: it may not lead out of the folder.
		path := filepath.Join(dir, filepath.Base(p.GetFile()))
		n, err := downloadFile(ctx, records, p, path)
		if err != nil {
			return err
		}
		if cli.WantsJSON(cmd) {
			err = cli.WriteJSONLine(cmd.OutOrStdout(), downloaded{path, n})
		} else {
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s  %d bytes\n", path, n)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// downloadFile copies a file to a path, and returns how large it is. What an earlier try left is kept where it is of
// the same file.
func downloadFile(ctx context.Context, records facetdv1.RecordServiceClient, p *facetdv1.RecordingPart,
	path string) (uint64, error) {
	file := p.GetFile()
	if info, err := os.Stat(path); err == nil {
		if n := uint64(info.Size()); n != p.GetBytes() || !info.Mode().IsRegular() {
			return 0, fmt.Errorf("%s is here already, and is another: it has %d bytes, the daemon's %d; move it "+
				"away, or "+
				"choose another folder with --dir", path, n, p.GetBytes())
		}
		return p.GetBytes(), nil
	}
	n, err := goOn(ctx, records, file, path)
	if c := status.Code(err); c == codes.Aborted || c == codes.OutOfRange {
		// What is here is of another file.
		if err := errors.Join(os.Remove(path+etagSuffix), os.Remove(path+partSuffix)); err != nil {
			return 0, err
		}
		n, err = goOn(ctx, records, file, path)
	}
	if err != nil {
		return 0, err
	}
	return n, errors.Join(os.Rename(path+partSuffix, path), os.Remove(path+etagSuffix))
}

const (
	partSuffix = ".download"
	etagSuffix = ".download.etag" // holds which file the part is of
)

// goOn downloads what is not here yet, behind what is.
func goOn(ctx context.Context, records facetdv1.RecordServiceClient, file, path string) (uint64, error) {
	out, err := os.OpenFile(path+partSuffix, os.O_WRONLY|os.O_CREATE, 0o666)
	if err != nil {
		return 0, err
	}
	defer out.Close()
	etag, err := os.ReadFile(path + etagSuffix)
	if errors.Is(err, os.ErrNotExist) {
		err = out.Truncate(0) // it is not known of which file it is
	}
	if err != nil {
		return 0, err
	}
	at, err := out.Seek(0, io.SeekEnd)
	if err != nil {
		return 0, err
	}
	stream, err := records.DownloadRecording(ctx, &facetdv1.DownloadRecordingRequest{File: file, Offset: uint64(at),
		Etag: string(etag)})
	if err != nil {
		return 0, err
	}
	var total uint64
	for {
		m, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return 0, err
		}
		if m.GetOffset() != uint64(at) {
			return 0, fmt.Errorf("%s: the daemon sent bytes from %d on, %d are here", file, m.GetOffset(), at)
		}
		if len(etag) == 0 {
			etag = []byte(m.GetEtag())
			if err := os.WriteFile(path+etagSuffix, etag, 0o666); err != nil {
				return 0, err
			}
		}
		if _, err := out.Write(m.GetData()); err != nil {
			return 0, err
		}
		at, total = at+int64(len(m.GetData())), m.GetTotalBytes()
	}
	if uint64(at) != total {
		return 0, fmt.Errorf("%s: %d of %d bytes came", file, at, total)
	}
	return total, errors.Join(out.Sync(), out.Close())
}

func (a *app) recordDeleteCommand() *cobra.Command {
	return &cobra.Command{
		Use:     "delete NAME",
		Short:   "Delete all files of a recording that is not being written",
		Example: "  facetctl record delete bend",
		Args:    cli.Args("NAME"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.record.DeleteRecording(ctx, &facetdv1.DeleteRecordingRequest{Name: args[0]})
				if err != nil {
					return err
				}
				return showRecording(cmd, r.GetRecording())
			})
		},
	}
}
