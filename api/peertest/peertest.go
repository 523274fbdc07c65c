// Package peertest lets a test use an outside program (python3, promtool,
// chromium, node, qemu) without making it a condition of `go test ./...`.
//
// It stands in the api room because that is the only room which every other
// one may import.
package peertest

import (
	"flag"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
)

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

// Python returns the path of python3 after checking that every named module
// can be imported; modules are import names such as "scipy.optimize".
func Python(t testing.TB, modules ...string) string {
	t.Helper()
	path := Program(t, "python3")
	if len(modules) == 0 {
		return path
	}
	out, err := exec.Command(path, "-c", "import "+strings.Join(modules, ",")).CombinedOutput()
	if err != nil {
		absent(t, "python3 lacks one of "+strings.Join(modules, ", ")+": "+lastLine(out))
	}
	return path
}

// Node returns the path of node and a folder of the test in whose node_modules the
// named npm packages are, such as "name@1.2.3". Where FACETD_PEERS=required npm may
// fetch them; elsewhere only what its cache holds is used, and the test is skipped
// when that does not suffice. No script of a package is run.
func Node(t testing.TB, packages ...string) (node, folder string) {
	t.Helper()
	node, npm := Program(t, "node"), Program(t, "npm")
	folder = t.TempDir()
	args := []string{"install", "--no-audit", "--no-fund", "--ignore-scripts", "--loglevel=error", "--prefix", folder}
	if os.Getenv(requiredEnv) != "required" {
		args = append(args, "--offline")
	}
	cmd := exec.Command(npm, append(args, packages...)...)
	cmd.Dir = folder
	if out, err := cmd.CombinedOutput(); err != nil {
		absent(t, "npm has not "+strings.Join(packages, ", ")+": "+lastLine(out))
	}
	return node, folder
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
