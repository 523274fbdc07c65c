package container

import (
	"bufio"
	"bytes"
	"debug/elf"
	"encoding/json"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"facetd.example/api/peertest"
)

// instruction is one of the Containerfile, with its arguments as they stand there.
type instruction struct{ name, args string }

// parse reads the instructions: comments left out, lines that end in \ joined.
func parse(t *testing.T) []instruction {
	t.Helper()
	text, err := os.ReadFile("Containerfile")
	if err != nil {
		t.Fatal(err)
	}
	var all []instruction
	var line string
	scan := bufio.NewScanner(bytes.NewReader(text))
	for scan.Scan() {
		s := strings.TrimSpace(scan.Text())
		if s == "" || strings.HasPrefix(s, "#") {
			continue
		}
		if cut, more := strings.CutSuffix(s, `\`); more {
			line += cut
			continue
		}
		name, args, _ := strings.Cut(line+s, " ")
		all = append(all, instruction{name, strings.TrimSpace(args)})
		line = ""
	}
	return all
}

// last is the last stage.
func last(all []instruction) []instruction {
	from := 0
	for i, in := range all {
		if in.name == "FROM" {
			from = i
		}
	}
	return all[from:]
}

func find(t *testing.T, in []instruction, name string) string {
	t.Helper()
	i := slices.IndexFunc(in, func(i instruction) bool { return i.name == name })
	if i < 0 {
		t.Fatalf("there is no %s", name)
	}
	return in[i].args
}

func list(t *testing.T, s string) (words []string) {
	t.Helper()
	if err := json.Unmarshal([]byte(s), &words); err != nil {
		t.Fatalf("%q is not a list of words, which a container without a shell needs: %v", s, err)
	}
	return words
}

// TestContainerfile: what is run is what was copied, what was copied is what was built,
// and nobody is root.
func TestContainerfile(t *testing.T) {
	all := parse(t)
	final := last(all)
	if final[0].args != "scratch" {
		t.Errorf("the last stage is from %s", final[0].args)
	}
	var built string
	for _, in := range all {
		if in.name == "RUN" {
			built += in.args + "\n"
		}
	}
	there := map[string]bool{}
	for _, in := range final {
		if in.name != "COPY" {
			continue
		}
		words := strings.Fields(in.args)
		from, to := words[len(words)-2], words[len(words)-1]
		if words[0] != "--from=build" || !strings.Contains(built, from) {
			t.Errorf("COPY %s: nothing before made %s", in.args, from)
		}
		there[to] = true
	}
	for _, name := range []string{"ENTRYPOINT"} {
		if words := list(t, find(t, final, name)); !there[words[0]] {
			t.Errorf("%s runs %s, which is not in the image", name, words[0])
		}
	}
	if probe := healthcheck(t, final); !there[probe[0]] {
		t.Errorf("HEALTHCHECK runs %s, which is not in the image", probe[0])
	}
	for _, v := range list(t, find(t, final, "VOLUME")) {
		if !there[v] {
			t.Errorf("the volume %s has no owner", v)
		}
	}
	if user := find(t, final, "USER"); user != "65532:65532" {
		t.Errorf("the user is %s", user)
	}
	if !strings.Contains(built, "CGO_ENABLED=0") || !strings.Contains(built, "-trimpath") {
		t.Errorf("built by %s", built)
	}
	// The builder has the Go that the module asks for.
	mod, err := os.ReadFile("../../go.mod")
	if err != nil {
		t.Fatal(err)
	}
	_, version, _ := strings.Cut(find(t, all, "FROM"), "golang:")
	version, _, _ = strings.Cut(version, " ")
	if !strings.Contains(string(mod), "\ngo "+version+".") {
		t.Errorf("the builder has Go %s, and go.mod asks for another", version)
	}
	for _, pkg := range []string{"daemon/facetd", "clients/facetctl"} {
		if _, err := os.Stat(filepath.Join("../..", pkg, "main.go")); err != nil || !strings.Contains(built, "./"+pkg) {
			t.Errorf("%s: %v", pkg, err)
		}
	}
}

func healthcheck(t *testing.T, final []instruction) []string {
	t.Helper()
	_, command, is := strings.Cut(find(t, final, "HEALTHCHECK"), "CMD ")
	if !is {
		t.Fatal("HEALTHCHECK has no command")
	}
	return list(t, command)
}

// build makes the binary with the command of the Containerfile.
func build(t *testing.T) string {
	t.Helper()
	out := filepath.Join(t.TempDir(), "facetd")
	cmd := exec.Command("go", "build", "-trimpath", "-ldflags=-s", "-o", out, "./daemon/facetd")
	cmd.Dir = "../.."
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if said, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
	return out
}

// TestStaticBinary builds the daemon as the Containerfile does, and runs it in a root
// folder that holds nothing else, as its user, with its arguments. No container engine
// takes part: chroot stands for the image's file system, where the test may call it.
func TestStaticBinary(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("containers are of Linux")
	}
	if !peertest.All() {
		t.Skip("building everything once more, without cgo, takes a minute; .ci/long cases does it")
	}
	binary := build(t)
	f, err := elf.Open(binary)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for _, p := range f.Progs {
		if p.Type == elf.PT_INTERP || p.Type == elf.PT_DYNAMIC {
			t.Errorf("the binary has a segment %v: it wants a dynamic linker", p.Type)
		}
	}
	if libs, err := f.ImportedLibraries(); err == nil && len(libs) > 0 {
		t.Errorf("the binary wants %v", libs)
	}
	if os.Getuid() != 0 {
		t.Skip("changing the root folder takes root")
	}
	runInside(t, binary)
}

func runInside(t *testing.T, binary string) {
	final := last(parse(t))
	root, err := os.MkdirTemp("", "root") // t.TempDir is below folders that others may not enter
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { os.RemoveAll(root) })
	data, err := os.ReadFile(binary)
	if err == nil {
		err = os.WriteFile(filepath.Join(root, "facetd"), data, 0o555)
	}
	if err == nil {
		err = os.Chmod(root, 0o555)
	}
	if err == nil {
		err = os.Mkdir(filepath.Join(root, "data"), 0o755)
	}
	if err == nil {
		err = os.Chown(filepath.Join(root, "data"), 65532, 65532)
	}
	if err != nil {
		t.Fatal(err)
	}
	inside := func(args []string) *exec.Cmd {
		cmd := exec.Command(path.Clean(args[0]), args[1:]...)
		cmd.Dir, cmd.Env = "/", []string{strings.ReplaceAll(find(t, final, "ENV"), " ", "")}
		cmd.SysProcAttr = &syscall.SysProcAttr{Chroot: root,
			Credential: &syscall.Credential{Uid: 65532, Gid: 65532, NoSetGroups: true}}
		return cmd
	}
	var said bytes.Buffer
	// Ports of the test's own machine may be taken; everything else is the image's.
	d := inside(append(list(t, find(t, final, "ENTRYPOINT")), "--listen", "127.0.0.1:0", "--http", "127.0.0.1:0"))
	d.Stdout, d.Stderr = &said, &said
	if err := d.Start(); err != nil {
		t.Skipf("this machine does not let the test change the root folder: %v", err)
	}
	done := make(chan error, 1)
	go func() { done <- d.Wait() }()
	t.Cleanup(func() { d.Process.Kill() })
	healthy := false
	for deadline := time.Now().Add(20 * time.Second); !healthy && time.Now().Before(deadline); {
		out, err := inside(healthcheck(t, final)).CombinedOutput()
		healthy = err == nil && strings.TrimSpace(string(out)) == "serving"
		if !healthy {
			time.Sleep(50 * time.Millisecond) // a daemon's start takes real time
		}
	}
	if !healthy {
		t.Error("the health check of the image never succeeded")
	}
	if err := d.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := <-done; err != nil {
		t.Errorf("it ended with %v\n%s", err, &said)
	}
	if out, err := inside(healthcheck(t, final)).CombinedOutput(); err == nil {
		t.Errorf("the health check of a daemon that has gone: %s", out)
	}
	entries, err := os.ReadDir(filepath.Join(root, "data"))
	if err != nil || len(entries) == 0 {
		t.Errorf("nothing was kept in /data: %v", err)
	}
	if all, _ := os.ReadDir(root); len(all) != 2 {
		t.Errorf("the root folder holds %v", all)
	}
}
