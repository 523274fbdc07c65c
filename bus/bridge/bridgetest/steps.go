package bridgetest

import (
	"bufio"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"facetd.example/bus/bridge/chips"
)

// Steps is firmware whose time is given to it, step by step, with the packets that have come by then: a process that
// can be run in the time of a bubble of testing/synctest, in which nothing goes on while it answers. Its process and
// the chips behind its pins are outside. Its methods are for one goroutine at a time.
type Steps struct {
	cmd      *exec.Cmd
	in       io.WriteCloser
	out      *bufio.Scanner
	dir      string
	listener net.Listener
	said     *os.File
	served   sync.WaitGroup
	wrong    error // what the process did that it should not
}

// StartSteps starts it with chips behind its pins, anew each time that it begins, and a tick. It is called outside of
// bubbles, as is Close, which ends it. Where there is no C compiler the test is skipped.
func StartSteps(t testing.TB, behind chips.Config, tick time.Duration) *Steps {
	t.Helper()
	path := Tool(t, "steps")
	s, err := newSteps(path, behind, tick)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func newSteps(path string, behind chips.Config, tick time.Duration) (*Steps, error) {
	dir, err := os.MkdirTemp("", "steps")
	if err != nil {
		return nil, err
	}
	s := &Steps{dir: dir}
	pins := filepath.Join(dir, "pins")
	if s.listener, err = net.Listen("unix", pins); err != nil {
		return nil, err
	}
	s.served.Go(func() { s.serve(behind) })
	s.cmd = exec.Command(path, "--link", "steps:", "--pins", "unix:"+pins, "--latency", "1000", "--tick",
		strconv.FormatInt(int64(tick), 10))
	if s.said, err = os.Create(filepath.Join(dir, "said")); err != nil {
		return nil, err
	}
	s.cmd.Stderr = s.said // a file: nobody has to read it meanwhile
	if s.in, err = s.cmd.StdinPipe(); err != nil {
		return nil, err
	}
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	s.out = bufio.NewScanner(out)
	err = s.cmd.Start()
	if err == nil {
		s.begun()
	}
	return s, err
}

// begun waits until the firmware has begun.
func (s *Steps) begun() {
	if (!s.out.Scan() || s.out.Text() != "") && s.wrong == nil {
		s.wrong = fmt.Errorf("the firmware does not begin: it says %q", s.out.Text())
	}
}

// serve simulates the chips, for one beginning of the firmware after another.
func (s *Steps) serve(behind chips.Config) {
	for {
		conn, err := s.listener.Accept()
		if err != nil {
			return
		}
		_ = chips.Serve(conn, behind) // until the firmware begins anew; it dies where the chips are gone
		_ = conn.Close()
	}
}

// Step lets the firmware go on until a time, gives it a packet that has come by then, or none, and returns what it
// sends: at most so many bytes.
func (s *Steps) Step(now time.Duration, room int, packet []byte) (sent [][]byte) {
	text := "-"
	if len(packet) > 0 {
		text = hex.EncodeToString(packet)
	}
	if s.wrong != nil {
		return nil
	}
	if _, err := fmt.Fprintf(s.in, "%d %d %s\n", now.Nanoseconds(), room, text); err != nil {
		s.wrong = err
		return nil
	}
	for s.out.Scan() {
		if s.out.Text() == "" {
			return sent
		}
		b, err := hex.DecodeString(s.out.Text())
		if err != nil {
			break
		}
		sent = append(sent, b)
	}
	s.wrong = fmt.Errorf("the firmware ended, or said %q", s.out.Text())
	return nil
}

// Reboot has the firmware begin anew. Its clock begins with the next step.
func (s *Steps) Reboot() {
	if _, err := fmt.Fprintln(s.in, "reboot"); err != nil && s.wrong == nil {
		s.wrong = err
	}
	s.begun()
}

// Close ends the firmware, and returns what it did that it should not.
func (s *Steps) Close() error {
	_ = s.in.Close() // which ends it
	err := s.cmd.Wait()
	_ = s.listener.Close() // as nobody comes any more
	s.served.Wait()
	text, _ := os.ReadFile(s.said.Name())
	_ = s.said.Close()
	_ = os.RemoveAll(s.dir) // which is in the folder for such things
	if said := strings.TrimSpace(string(text)); said != "" {
		err = errors.Join(err, errors.New(said))
	}
	return errors.Join(s.wrong, err)
}
