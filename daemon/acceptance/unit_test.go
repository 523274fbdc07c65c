package acceptance

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"facetd.example/api/peertest"
	"facetd.example/daemon/config"
)

const unitFolder = "../../deploy/systemd"

// notifyReload is the first systemd that knows Type=notify-reload (its NEWS, seen).
const notifyReload = 253

// unit copies the unit into a folder of its own, with the binary of this build, and the
// drop-in for an older systemd where this is one.
func unit(t *testing.T, analyze string) (path string, version int) {
	t.Helper()
	found := regexp.MustCompile(`^systemd (\d+)`).FindStringSubmatch(run(t, analyze, "--version"))
	if found == nil {
		t.Fatal("systemd does not say its version")
	}
	version, err := strconv.Atoi(found[1])
	if err != nil {
		t.Fatal(err)
	}
	path = filepath.Join(t.TempDir(), "facetd.service")
	text := strings.Replace(read(t, "facetd.service"), "ExecStart=/usr/bin/facetd ", "ExecStart="+binary(t, "facetd")+
		" ", 1)
	write := func(path, text string) {
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	write(path, text)
	if version < notifyReload {
		write(path+".d/old.conf", read(t, "facetd.service.d/before-systemd-253.conf"))
	}
	return path, version
}

func read(t *testing.T, name string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(unitFolder, name))
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// TestTheUnitIsValid: systemd finds nothing wrong with the unit, also beside an older
// systemd, where the one line that it does not know is the one that is expected.
func TestTheUnitIsValid(t *testing.T) {
	t.Parallel()
	analyze := peertest.Program(t, "systemd-analyze")
	path, version := unit(t, analyze)
	out, err := exec.Command(analyze, "verify", path).CombinedOutput()
	var complaints []string
	for line := range strings.Lines(string(out)) {
		if !strings.Contains(line, filepath.Base(path)) && !strings.Contains(line, filepath.Dir(path)) {
			continue // about other units of this machine
		}
		if version < notifyReload && strings.Contains(line, "ignoring: notify-reload") {
			continue
		}
		complaints = append(complaints, line)
	}
	if err != nil || len(complaints) > 0 {
		t.Errorf("systemd %d: %v\n%s", version, err, out)
	}
	// The check finds what is wrong.
	if err := os.WriteFile(path, []byte(strings.Replace(read(t, "facetd.service"), "/usr/bin/facetd", "/nowhere/facetd",
		1)), 0o644); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(analyze, "verify", path).CombinedOutput(); err == nil {
		t.Errorf("a unit without its program was found good: %s", out)
	}
}

// TestTheUnitIsConfined: systemd judges the service's exposure to be at most 1.5 of 10.
func TestTheUnitIsConfined(t *testing.T) {
	t.Parallel()
	analyze := peertest.Program(t, "systemd-analyze")
	path, _ := unit(t, analyze)
	judge := func(path string) (string, error) {
		out, err := exec.Command(analyze, "security", "--offline=true", "--no-pager", "--threshold=15",
			path).CombinedOutput()
		lines := strings.Split(strings.TrimSpace(string(out)), "\n")
		return lines[len(lines)-1], err
	}
	verdict, err := judge(path)
	t.Log(verdict)
	if err != nil {
		t.Errorf("%v: %s", err, verdict)
	}
	bare := filepath.Join(t.TempDir(), "facetd.service")
	if err := os.WriteFile(bare, []byte("[Service]\nExecStart="+binary(t, "facetd")+"\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if verdict, err := judge(bare); err == nil {
		t.Errorf("a unit without any confinement passes: %s", verdict)
	}
}

// TestTheUnitsFiles: the configuration that comes with the unit is in order and suits
// it, and the user that it names is made.
func TestTheUnitsFiles(t *testing.T) {
	t.Parallel()
	c, m := config.Parse("/etc/facetd/facetd.yaml", []byte(read(t, "facetd.yaml")))
	if len(m) > 0 {
		t.Fatal(m)
	}
	text := read(t, "facetd.service")
	for field, want := range map[string]struct{ got, folder string }{
		"StateDirectory":   {c.Data, "/var/lib/"},
		"RuntimeDirectory": {filepath.Dir(c.Listen.Unix), "/run/"},
	} {
		if !strings.Contains(text, "\n"+field+"="+strings.TrimPrefix(want.got, want.folder)+"\n") ||
			!strings.HasPrefix(want.got, want.folder) {
			t.Errorf("the configuration has %s, the unit another %s", want.got, field)
		}
	}
	if !strings.Contains(text, " --config /etc/facetd/facetd.yaml\n") {
		t.Error("the unit names another configuration")
	}
	sysusers := peertest.Program(t, "systemd-sysusers")
	root := t.TempDir()
	conf, err := filepath.Abs(filepath.Join(unitFolder, "facetd.sysusers.conf"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(root, "etc"), 0o755); err != nil {
		t.Fatal(err)
	}
	run(t, sysusers, "--root="+root, conf)
	passwd, err := os.ReadFile(filepath.Join(root, "etc", "passwd"))
	if err != nil || !strings.Contains(string(passwd), "facetd:") || !strings.Contains(text, "\nUser=facetd\n") {
		t.Errorf("%v, users %s", err, passwd)
	}
}
