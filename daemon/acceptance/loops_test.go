package acceptance

import (
	"bufio"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"facetd.example/api/peertest"
)

// TestSafeLoops: the loops that the guide shows go while the daemon is well, halt by themselves while it stands still,
// and go again, in each language.
func TestSafeLoops(t *testing.T) {
	const clients = "../../clients"
	for name, command := range map[string]func(t *testing.T, ctx context.Context, d *daemon) *exec.Cmd{
		"go": func(t *testing.T, ctx context.Context, d *daemon) *exec.Cmd {
			program := filepath.Join(t.TempDir(), "safeloop")
			build := exec.Command("go", "build", "-o", program, "facetd.example/clients/go/examples/safeloop")
			if out, err := build.CombinedOutput(); err != nil {
				t.Fatalf("%v\n%s", err, out)
			}
			return exec.CommandContext(ctx, program, "--address", d.grpc, "--sets", "100000")
		},
		"python": func(t *testing.T, ctx context.Context, d *daemon) *exec.Cmd {
			cmd := exec.CommandContext(ctx, peertest.Python(t, "grpc", "google.protobuf", "numpy"),
				clients+"/python/examples/safe_loop.py", "--address", d.grpc, "--sets", "100000")
			cmd.Env = append(os.Environ(), "PYTHONPATH="+clients+"/python", "PYTHONDONTWRITEBYTECODE=1")
			return cmd
		},
		"typescript": func(t *testing.T, ctx context.Context, d *daemon) *exec.Cmd {
			program := compiled(t, clients+"/typescript/safe_loop.ts")
			return exec.CommandContext(ctx, peertest.Program(t, "node"), program, d.http, "wall", "100000")
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			d := start(t)
			ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
			defer cancel()
			cmd := command(t, ctx, d)
			cmd.Stderr = os.Stderr
			out, err := cmd.StdoutPipe()
			if err != nil {
				t.Fatal(err)
			}
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			defer cmd.Wait()
			defer cancel()
			lines := bufio.NewScanner(out)
			await := func(start string) {
				t.Helper()
				for lines.Scan() {
					if strings.HasPrefix(lines.Text(), start) {
						return
					}
				}
				t.Fatalf("the loop ended without %q", start)
			}
			signal := func(s syscall.Signal) {
				if err := d.cmd.Process.Signal(s); err != nil {
					t.Fatal(err)
				}
			}
			await("GO")
			signal(syscall.SIGSTOP)
			await("HALT")
			signal(syscall.SIGCONT)
			await("GO")
		})
	}
}

// compiled is a program in TypeScript as node runs it, its types checked.
func compiled(t *testing.T, program string) string {
	t.Helper()
	out := t.TempDir()
	tsc := peertest.Node(t, []string{"typescript@5.9.3"}, "-e",
		`process.argv.splice(1, 0, "tsc"); require("typescript/lib/tsc.js")`, "--", "--strict", "--noUnusedLocals",
		"--target", "es2022",
		"--module", "es2022", "--moduleResolution", "bundler", "--lib", "es2022,dom", "--outDir", out, program)
	if said, err := tsc.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, said)
	}
	// What it is called says that it is a module.
	base := strings.TrimSuffix(filepath.Base(program), ".ts")
	module := filepath.Join(out, base+".mjs")
	if err := os.Rename(filepath.Join(out, base+".js"), module); err != nil {
		t.Fatal(err)
	}
	return module
}

// TestTheGuideShowsTheLoops: what the guide shows of the loops stands in them, to the letter.
func TestTheGuideShowsTheLoops(t *testing.T) {
	t.Parallel()
	page, err := os.ReadFile("../../deploy/guide/api.md")
	if err != nil {
		t.Fatal(err)
	}
	files := map[string]string{"go": "go/examples/safeloop/main.go", "python": "python/examples/safe_loop.py",
		"ts": "typescript/safe_loop.ts"}
	shown := map[string]int{}
	for _, m := range regexp.MustCompile("(?s)```(go|python|ts)\n(.*?)```").FindAllStringSubmatch(string(page), -1) {
		program, err := os.ReadFile(filepath.Join("../../clients", files[m[1]]))
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(string(program), m[2]) {
			shown[m[1]]++
		}
	}
	for language := range files {
		if shown[language] == 0 {
			t.Errorf("no block of %s in the guide stands in its loop", language)
		}
	}
}
