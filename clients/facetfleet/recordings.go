package main

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/api/fileio"
	"facetd.example/clients/facetfleet/internal/fleet"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/store"
)

func (a *app) recordingsCommand() *cobra.Command {
	list := a.recordingsList()
	g := cli.Group("recordings", "Recordings of all robots: where they are, fetch them, have them uploaded",
		`  facetfleet recordings
  facetfleet recordings fetch --robot crawler-7 --file survey-001.mcap \
    --s3 https://storage:9000/recordings --s3-key storage.key`, list, a.recordingsFetch(),
		a.recordingsUpload())
	g.Long = "By itself recordings lists the files of all robots, as 'recordings list' does."
	g.RunE = func(cmd *cobra.Command, _ []string) error { return list.RunE(cmd, nil) }
	return g
}

func (a *app) recordingsList() *cobra.Command {
	var robot string
	cmd := &cobra.Command{
		Use:   "list",
		Short: "List the files of recordings of all robots",
		Long: `list shows every file of a finished recording that a bridge with an object storage has told the hub
of, and where it is: on the robot, waiting for its turn or on its way, stored, or gone from the robot before it was
stored. A robot that is away is shown as it was last.`,
		Example: `  facetfleet recordings list
  facetfleet recordings list --robot crawler-7 --output json`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.ask(cmd, func(ctx context.Context, c *hub.Conn) error {
				all, err := fleet.Recordings(ctx, c, robot)
				if err != nil {
					return err
				}
				return writeRecordings(cmd, all, time.Now())
			})
		},
	}
	cmd.Flags().StringVar(&robot, "robot", "", "only this robot")
	return cmd
}

// began is when a recording began; one of which nothing can be read has no times.
func began(f *fleetv1.RecordingFile) string {
	if f.GetStartTime() == nil {
		return "-"
	}
	return f.GetStartTime().AsTime().UTC().Format("2006-01-02 15:04:05")
}

func writeRecordings(cmd *cobra.Command, all []*fleetv1.RecordingFile, now time.Time) error {
	if cli.WantsJSON(cmd) {
		return cli.WriteJSON(cmd.OutOrStdout(), &fleetv1.RecordingFiles{Files: all})
	}
	t := cli.NewTable("ROBOT", "FILE", "BEGAN", ">BYTES", "STATE", ">THERE", ">AGE", "TROUBLE")
	for _, f := range all {
		there := "-"
		if f.GetBytes() > 0 && f.GetSentBytes() > 0 {
			there = cli.Percent(float64(f.GetSentBytes()) / float64(f.GetBytes()))
		}
		t.Row(printable(f.GetRobot()), printable(f.GetFile()),
			began(f), count(f.GetBytes()), state(f), there,
			cli.Age(max(0, now.Sub(f.GetTime().AsTime()))), cli.Short(printable(f.GetTrouble()), 60))
	}
	return t.Write(cmd.OutOrStdout())
}

// storage is where recordings go, as flags have it.
type storage struct {
	bucket, key, ca, region string
}

func (s *storage) register(cmd *cobra.Command, env func(string) string) {
	f := cmd.Flags()
	f.StringVar(&s.bucket, "s3", env("FACETFLEET_S3"),
		"the bucket of the object storage, https://HOST[:PORT]/BUCKET[/FOLDER]; or FACETFLEET_S3")
	f.StringVar(&s.key, "s3-key", env("FACETFLEET_S3_KEY"),
		"file with the storage's access key and secret key, a line each; or FACETFLEET_S3_KEY")
	f.StringVar(&s.ca, "s3-ca", env("FACETFLEET_S3_CA"),
		"PEM file of the authorities that may have signed the storage's certificate; or FACETFLEET_S3_CA")
	f.StringVar(&s.region, "s3-region", cmp.Or(env("FACETFLEET_S3_REGION"), "us-east-1"),
		"region of the storage; or FACETFLEET_S3_REGION")
}

// open is the storage; nil where none is named.
func (s *storage) open() (*store.Store, error) {
	if s.bucket == "" {
		return nil, nil
	}
	c := store.Config{Bucket: s.bucket, Region: s.region}
	text, err := secret("--s3-key", s.key)
	if err != nil {
		return nil, err
	}
	keys := strings.Fields(string(text))
	if len(keys) != 2 {
		return nil, cli.Usagef("--s3-key: give a file with the access key and the secret key, a line each")
	}
	c.AccessKey, c.SecretKey = keys[0], keys[1]
	if c.CA, err = authorities("--s3-ca", s.ca); err != nil {
		return nil, err
	}
	o, err := store.Open(c)
	if err != nil {
		return nil, cli.Usagef("--s3 %s", err)
	}
	return o, nil
}

func (a *app) recordingsFetch() *cobra.Command {
	var robot, file, out string
	var from storage
	cmd := &cobra.Command{
		Use:   "fetch",
		Short: "Fetch a file of a recording from the object storage",
		Long: `fetch writes a file that is stored, and compares it with the digest that its robot gave. One that broke
off is gone on with: until it is whole it has the name with .part. The keys of the storage are one's own.`,
		Example: `  facetfleet recordings fetch --robot crawler-7 --file survey-001.mcap \
    --s3 https://storage:9000/recordings --s3-key storage.key --out survey.mcap`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if robot == "" || file == "" {
				return cli.Usagef("--robot and --file: name the robot and the file")
			}
			s, err := from.open()
			if err != nil {
				return err
			}
			if s == nil {
				return cli.Usagef("--s3: name the bucket of the object storage")
			}
			out = cmp.Or(out, filepath.Base(file))
			return a.with(cmd, func(ctx context.Context, c *hub.Conn) error {
				f, newer, err := a.storedFile(ctx, c, robot, file)
				if err != nil {
					return err
				}
				if newer != nil {
					fmt.Fprintf(cmd.ErrOrStderr(), "facetfleet: a newer %s of %s is not in the object storage: %s\n",
						printable(file), printable(robot), state(newer))
				}
				if err := fetch(ctx, s, f, out); err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					raw, err := cli.Raw(f)
					if err != nil {
						return err
					}
					return cli.WriteJSON(cmd.OutOrStdout(), map[string]any{"path": out, "file": raw})
				}
				_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s: %d bytes, as %s has them; began %s\n", out, f.GetBytes(),
					printable(f.GetRobot()), began(f))
				return err
			})
		},
	}
	cmd.Flags().StringVar(&robot, "robot", "", "the robot")
	cmd.Flags().StringVar(&file, "file", "", "the file, as 'recordings list' has it")
	cmd.Flags().StringVar(&out, "out", "", "where to write it; its name in this folder where nothing is given")
	from.register(cmd, a.env)
	return cmd
}

// storedFile is a file that the index has as stored: the newest of its name that is, and a newer one that is not.
func (a *app) storedFile(ctx context.Context, c *hub.Conn, robot, file string) (f, newer *fleetv1.RecordingFile,
	err error) {
	ctx, cancel := context.WithTimeout(ctx, a.timeout)
	defer cancel()
	all, err := fleet.Recordings(ctx, c, robot)
	if err != nil {
		return nil, nil, err
	}
	for _, f := range all {
		if f.GetFile() != file {
			continue
		}
		if f.GetState() == fleetv1.FileState_FILE_STATE_STORED {
			return f, newer, nil
		}
		newer = cmp.Or(newer, f)
	}
	if newer != nil {
		return nil, nil, fmt.Errorf("%s of %s is not in the object storage: %s", file, robot, state(newer))
	}
	return nil, nil, fmt.Errorf("the hub knows no file %q of %s; 'facetfleet recordings list' shows them", file, robot)
}

// state is where a file is, in words.
func state(f *fleetv1.RecordingFile) string {
	return strings.ReplaceAll(cli.Label(f.GetState(), "FILE_STATE_"), "_", " ")
}

// fetch writes a stored file and compares its digest.
func fetch(ctx context.Context, s *store.Store, f *fleetv1.RecordingFile, out string) (err error) {
	if err := free(out); err != nil {
		return err
	}
	// In a folder of several people somebody else's link could lead anywhere.
	if info, err := os.Lstat(out + ".part"); err == nil && !info.Mode().IsRegular() {
		return fmt.Errorf("%s.part is there already, and is no file; --out names another", out)
	}
	part, err := os.OpenFile(out+".part", os.O_CREATE|os.O_RDWR|syscall.O_NOFOLLOW, 0o600)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, part.Close()) }()
	has, err := part.Seek(0, io.SeekEnd)
	if err != nil {
		return err
	}
	if has > int64(f.GetBytes()) {
		has = 0
		if err := errors.Join(part.Truncate(0), seekStart(part)); err != nil {
			return err
		}
	}
	if has < int64(f.GetBytes()) {
		if err := s.Fetch(ctx, f.GetKey(), has, int64(f.GetBytes())-has, part); err != nil {
			return fmt.Errorf("%w; the same command goes on with it", err)
		}
	}
	if err := seekStart(part); err != nil {
		return err
	}
	sum := sha256.New()
	if _, err := io.Copy(sum, part); err != nil {
		return err
	}
	if got := hex.EncodeToString(sum.Sum(nil)); got != f.GetSha256() {
		return errors.Join(fmt.Errorf("what the storage gives is not what the robot had: SHA-256 %s in place of %s; "+
			"nothing is kept of it", got, f.GetSha256()), os.Remove(part.Name()))
	}
	if err := part.Sync(); err != nil {
		return err
	}
	if err := free(out); err != nil { // since it began
		return err
	}
	return os.Rename(part.Name(), out)
}

// free is an error where something lies under a name.
func free(out string) error {
	if _, err := os.Lstat(out); err == nil {
		return fmt.Errorf("%s is there already; --out names another", out)
	}
	return nil
}

func seekStart(f *os.File) error {
	_, err := f.Seek(0, io.SeekStart)
	return err
}

func (a *app) recordingsUpload() *cobra.Command {
	var robot, recording string
	cmd := &cobra.Command{
		Use:   "upload",
		Short: "Have a robot upload a finished recording",
		Long: `upload asks a robot to put the files of a recording into its object storage. It returns once the hub has
taken note of that; 'recordings list' shows how far they are. A bridge uploads every finished recording by itself,
unless it runs with --upload asked.`,
		Example: `  facetfleet recordings upload --robot crawler-7 --recording survey`,
		Args:    cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if robot == "" || recording == "" {
				return cli.Usagef("--robot and --recording: name the robot and the recording")
			}
			return a.with(cmd, func(ctx context.Context, c *hub.Conn) error {
				answer, err := fleet.Order(ctx, c, robot, &fleetv1.Command{What: &fleetv1.Command_UploadRecording{
					UploadRecording: &fleetv1.UploadRecording{Recording: recording}}})
				if err != nil {
					return err
				}
				return writeRecordings(cmd, answer.GetRecordingFiles().GetFiles(), time.Now())
			})
		},
	}
	cmd.Flags().StringVar(&robot, "robot", "", "the robot")
	cmd.Flags().StringVar(&recording, "recording", "", "the recording, by its name on the robot")
	return cmd
}

// secret reads a file of keys that nobody else on this machine can read. Those that systemd hands over to a unit lie in
// a folder that only the unit's user enters; within it the group may seem to read them (systemd from 254 on).
func secret(flag, name string) ([]byte, error) {
	info, err := os.Stat(name)
	if err != nil {
		return nil, cli.Usagef("%s: %s", flag, fileio.Plain(err))
	}
	others := os.FileMode(0o077)
	if dir := os.Getenv("CREDENTIALS_DIRECTORY"); dir != "" &&
		filepath.Dir(filepath.Clean(name)) == filepath.Clean(dir) {
		others = 0o007
	}
	if info.Mode().Perm()&others != 0 {
		return nil, cli.Usagef("%s %s: others can read it (mode %04o); make it 0600", flag, name, info.Mode().Perm())
	}
	text, err := fileio.Read(name, 1<<10)
	if err != nil {
		return nil, cli.Usagef("%s: %s", flag, fileio.Plain(err))
	}
	return text, nil
}
