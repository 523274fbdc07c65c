// Package storetest runs object storage with the S3 interface as a process, for tests. For tests only.
package storetest

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"facetd.example/api/peertest"
)

// Keys of the storage.
const (
	AccessKey = "storetest"
	SecretKey = "no-secret-at-all"
)

// Server is object storage as a process. Its buckets are folders of a folder.
type Server struct {
	// Bucket is the address of a bucket that is there.
	Bucket string
	// KeyFile holds the keys, a line each.
	KeyFile string

	t       testing.TB
	program string
	address string
	folder  string
	log     string
	cmd     *exec.Cmd
	exited  chan struct{}
}

// Start runs a server until the test ends. The test is skipped where there is no s3-server, which is built from
// .ci/s3.
func Start(t testing.TB) *Server {
	t.Helper()
	s := &Server{t: t, program: peertest.Program(t, "s3-server"), address: peertest.Address(t),
		folder: t.TempDir(), log: filepath.Join(t.TempDir(), "log"), KeyFile: filepath.Join(t.TempDir(), "keys")}
	s.Bucket = "http://" + s.address + "/recordings"
	// A bucket of this storage is a folder.
	if err := os.Mkdir(filepath.Join(s.folder, "recordings"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(s.KeyFile, []byte(AccessKey+"\n"+SecretKey+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Kill)
	s.Run()
	return s
}

// Run starts the process, also again after Kill, and waits until it listens.
func (s *Server) Run() {
	s.t.Helper()
	log, err := os.OpenFile(s.log, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		s.t.Fatal(err)
	}
	defer log.Close()
	s.cmd = exec.Command(s.program, "-listen", s.address, "-folder", s.folder)
	s.cmd.Env = append(os.Environ(), "S3_ACCESS_KEY="+AccessKey, "S3_SECRET_KEY="+SecretKey)
	s.cmd.Stdout, s.cmd.Stderr = log, log
	if err := s.cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	exited, cmd := make(chan struct{}), s.cmd
	s.exited = exited
	go func() { cmd.Wait(); close(exited) }()
	for end := time.Now().Add(2 * time.Minute); ; time.Sleep(20 * time.Millisecond) {
		c, err := net.DialTimeout("tcp", s.address, time.Second)
		if err == nil {
			c.Close()
			return
		}
		if time.Now().After(end) {
			said, _ := os.ReadFile(s.log)
			s.t.Fatal(fmt.Errorf("the object storage: %w\n%s", err, said))
		}
	}
}

// Kill kills the process and waits until it is gone.
func (s *Server) Kill() {
	if s.cmd == nil {
		return
	}
	s.cmd.Process.Kill()
	<-s.exited
	s.cmd = nil
}

// Hang stops the process without ending it, until Go.
func (s *Server) Hang() { s.cmd.Process.Signal(syscall.SIGSTOP) }

// Go lets a process go on that was hung.
func (s *Server) Go() { s.cmd.Process.Signal(syscall.SIGCONT) }

// Object is what lies under a key, as the storage keeps it.
func (s *Server) Object(key string) ([]byte, error) {
	return os.ReadFile(filepath.Join(s.folder, "recordings", filepath.FromSlash(key)))
}
