// Package peertest lets a test use an outside program (python3, promtool,
// chromium, node, qemu) without making it a condition of `go test ./...`.
//
// It stands in the api room because that is the only room which every other
// one may import.
package peertest

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"flag"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// casesEnv, when it holds "all", makes tests look at all the cases that they name. .ci/long
// sets it; what takes long is looked at in part by every run, and as a whole by that.
const casesEnv = "FACETD_CASES"

// Cases is how many cases a test looks at, or how long or how often it does something: some
// in an ordinary run, all where FACETD_CASES=all.
func Cases[N int | time.Duration](some, all N) N {
	if All() {
		return all
	}
	return some
}

// All reports whether FACETD_CASES=all.
func All() bool { return os.Getenv(casesEnv) == "all" }

// seedEnv, where it is set, decides what random tests begin with. .ci/run sets it to what the
// commit holds, so that such a run can be repeated by whoever has the commit.
const seedEnv = "FACETD_SEED"

// Seed is what a random test begins with, which the test prints: another one in every run, but
// where FACETD_SEED is set, when it depends on that and the test's name alone.
func Seed(t testing.TB) uint64 {
	from := os.Getenv(seedEnv)
	if from == "" {
		return rand.Uint64()
	}
	sum := sha256.Sum256([]byte(from + " " + t.Name()))
	return binary.LittleEndian.Uint64(sum[:])
}

// requiredEnv, when it holds "required", turns every skip into a failure.
// .ci/run sets it after installing all peers, so that a missing install step
// cannot hide behind a skip.
const requiredEnv = "FACETD_PEERS"

// Program returns the path of an outside program. When it is not installed the
// test is skipped with a plain message, or failed where FACETD_PEERS=required.
func Program(t testing.TB, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		absent(t, name+" is not installed")
	}
	return path
}

// lookFor is a program in Python that ends with status 1 where it does not find a module. It
// imports none: that takes half a second of a processor for some of them.
const lookFor = `
import sys
from importlib.machinery import PathFinder
for module in sys.argv[1:]:
    path, whole = None, ""
    for part in module.split("."):
        whole += ("." if whole else "") + part
        spec = PathFinder.find_spec(whole, path)
        if spec is None:
            sys.exit("no module " + module)
        path = spec.submodule_search_locations
`

// looked holds what was said of looking for modules, by their names: nothing where they are there.
var looked sync.Map

// Python returns the path of python3 after checking that every named module is
// installed; modules are import names such as "scipy.optimize". It looks once in a process.
func Python(t testing.TB, modules ...string) string {
	t.Helper()
	path := Program(t, "python3")
	if len(modules) == 0 {
		return path
	}
	key := strings.Join(modules, ", ")
	lacks, known := looked.Load(key)
	if !known {
		out, err := exec.Command(path, append([]string{"-c", lookFor}, modules...)...).CombinedOutput()
		lacks = ""
		if err != nil {
			lacks = fmt.Sprintf("%v: %s", err, lastLine(out))
		}
		looked.Store(key, lacks)
	}
	if lacks != "" {
		absent(t, fmt.Sprintf("python3 lacks one of %s: %s", key, lacks))
	}
	return path
}

// Node returns node with a program and its arguments, where the program finds the named
// npm packages, such as "name@1.2.3". They are installed once for all tests of a user.
// Where FACETD_PEERS=required npm may fetch them; elsewhere only what its cache holds is
// used, and the test is skipped when that does not suffice. No script of a package is run.
func Node(t testing.TB, packages []string, program string, args ...string) *exec.Cmd {
	t.Helper()
	cmd := exec.Command(Program(t, "node"), append([]string{program}, args...)...)
	cmd.Env = append(os.Environ(), "NODE_PATH="+filepath.Join(modules(t, packages), "node_modules"))
	return cmd
}

// modules returns a folder in whose node_modules packages are.
func modules(t testing.TB, packages []string) string {
	t.Helper()
	npm := Program(t, "npm")
	cache, err := os.UserCacheDir()
	if err != nil {
		t.Fatal(err)
	}
	cache = filepath.Join(cache, "facetd-tests")
	sum := sha256.Sum256([]byte(strings.Join(packages, " ")))
	folder := filepath.Join(cache, hex.EncodeToString(sum[:8]))
	if _, err := os.Stat(folder); err == nil {
		return folder
	}
	// Beside it first: whoever finds the folder finds all that is in it.
	if err := os.MkdirAll(cache, 0o700); err != nil {
		t.Fatal(err)
	}
	fresh, err := os.MkdirTemp(cache, "new")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(fresh)
	args := []string{"install", "--no-audit", "--no-fund", "--ignore-scripts", "--loglevel=error", "--prefix", fresh}
	if os.Getenv(requiredEnv) != "required" {
		args = append(args, "--offline")
	}
	cmd := exec.Command(npm, append(args, packages...)...)
	cmd.Dir = fresh
	if out, err := cmd.CombinedOutput(); err != nil {
		absent(t, "npm has not "+strings.Join(packages, ", ")+": "+lastLine(out))
	}
	if err := os.Rename(fresh, folder); err != nil {
		if _, there := os.Stat(folder); there != nil { // another test was not first
			t.Fatal(err)
		}
	}
	return folder
}

// Address returns an address of this machine on which nobody listens, for a program that
// cannot take a free port by itself, or must take the same one twice. It is none that
// those are given who ask for any: these begin at 32768 (Linux, ip_local_port_range; from
// memory).
func Address(t testing.TB) string {
	t.Helper()
	for range 100 {
		l, err := net.Listen("tcp", fmt.Sprintf("127.0.0.1:%d", 20_000+rand.IntN(10_000)))
		if err == nil {
			defer l.Close()
			return l.Addr().String()
		}
	}
	t.Fatal("no port is free")
	return ""
}

// Parallel makes n parallel tests of a package run at a time, unless -parallel says
// otherwise: tests that wait for processes want more than one a processor, which is what
// the testing package gives. TestMain calls it.
func Parallel(n int) {
	flag.Parse()
	given := false
	flag.Visit(func(f *flag.Flag) { given = given || f.Name == "test.parallel" })
	if !given {
		if err := flag.Set("test.parallel", strconv.Itoa(n)); err != nil {
			panic(err)
		}
	}
}

func absent(t testing.TB, why string) {
	t.Helper()
	if os.Getenv(requiredEnv) == "required" {
		t.Fatalf("%s, and %s=required", why, requiredEnv)
	}
	t.Skipf("%s; skipped (set %s=required to make this a failure)", why, requiredEnv)
}

func lastLine(out []byte) string {
	lines := strings.Split(strings.TrimSpace(string(out)), "\n")
	return lines[len(lines)-1]
}
