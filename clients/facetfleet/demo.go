package main

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"sync"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	"facetd.example/api/fileio"
	"facetd.example/clients/facetfleet/internal/bridge"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/go/facet"
)

// demo is what runs while the command does.
type demo struct {
	natsServer, facetd string // programs
	listen             string
	robots             int
	daemonArgs         []string

	dir string
	out io.Writer
	all sync.WaitGroup
	log func(string)
}

func (a *app) demoCommand() *cobra.Command {
	var d demo
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Run a hub, five robots with the demo, and the page, all on this machine",
		Long: `demo runs a hub, five daemons with the demo on virtual buses, a bridge beside each, and the page, until
interrupted. In a clone of the project it builds nats-server and facetd; elsewhere it takes them from
--nats-server and --facetd. Nothing of it is kept. The daemons do not refuse jobs for a machine that is too
slow for them (--max-lag 0s).`,
		Example: `  facetfleet demo
  facetfleet demo --nats-server /usr/local/bin/nats-server --facetd /usr/local/bin/facetd`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if d.robots < 1 || d.robots > 50 {
				return cli.Usagef("--robots %d: give 1 to 50", d.robots)
			}
			return a.runDemo(cmd, &d)
		},
	}
	cmd.Flags().StringVar(&d.natsServer, "nats-server", "",
		"the program of the hub; built from the clone where it is not given")
	cmd.Flags().StringVar(&d.facetd, "facetd", "",
		"the program of the daemon; built from the clone where it is not given")
	cmd.Flags().StringVar(&d.listen, "listen", "127.0.0.1:7670", "where the page listens")
	cmd.Flags().IntVar(&d.robots, "robots", 5, "how many robots")
	cmd.Flags().StringVar(&a.demoScene, "scene", "", "what the robots see, as facetd takes it")
	return cmd
}

func (a *app) runDemo(cmd *cobra.Command, d *demo) (err error) {
	if d.dir, err = os.MkdirTemp("", "facetfleet-demo"); err != nil {
		return err
	}
	defer os.RemoveAll(d.dir)
	ctx, cancel := context.WithCancel(cmd.Context())
	defer d.all.Wait()
	defer cancel()
	d.out = cmd.OutOrStdout()
	d.log = func(line string) { fmt.Fprintln(cmd.ErrOrStderr(), "facetfleet: "+line) }
	if a.demoScene != "" {
		d.daemonArgs = []string{"--scene", a.demoScene}
	}
	if err := d.build(ctx); err != nil {
		return interrupted(cmd, err)
	}
	url, err := d.startHub(ctx)
	if err != nil {
		return interrupted(cmd, err)
	}
	fmt.Fprintf(d.out, "hub   %s   (facetfleet --hub %s robots)\n", url, url)
	for i := range d.robots {
		if err := d.startRobot(ctx, url, fmt.Sprintf("crawler-%d", i+1), i+1); err != nil {
			return interrupted(cmd, err)
		}
	}
	c, err := hub.Connect(hub.Options{URLs: []string{url}, Name: "page", Wait: true, Log: d.log})
	if err != nil {
		return err
	}
	defer c.Close()
	return servePage(ctx, cmd, c, d.listen, nil)
}

// interrupted is no error where somebody ended the command.
func interrupted(cmd *cobra.Command, err error) error {
	if errors.Is(cmd.Context().Err(), context.Canceled) {
		return nil
	}
	return err
}

// build makes the programs that were not given.
func (d *demo) build(ctx context.Context) error {
	for _, p := range []struct {
		to      *string
		modfile string
		pkg     string
		flag    string
	}{
		{&d.natsServer, ".ci/hub/go.mod", "github.com/nats-io/nats-server/v2", "--nats-server"},
		{&d.facetd, "go.mod", "facetd.example/daemon/facetd", "--facetd"},
	} {
		if *p.to != "" {
			continue
		}
		root, err := exec.CommandContext(ctx, "go", "list", "-m", "-f", "{{.Dir}}", "facetd.example").Output()
		if err != nil {
			return fmt.Errorf("no clone of the project to build %s in; give %s", filepath.Base(p.pkg), p.flag)
		}
		dir := filepath.Clean(string(root[:len(root)-1]))
		*p.to = filepath.Join(d.dir, filepath.Base(p.flag))
		d.log("building " + p.pkg)
		build := exec.CommandContext(ctx, "go", "build", "-modfile="+filepath.Join(dir, p.modfile), "-o", *p.to, p.pkg)
		build.Dir = dir
		if out, err := build.CombinedOutput(); err != nil {
			return fmt.Errorf("building %s: %w\n%s", p.pkg, err, out)
		}
	}
	return nil
}

// process starts a program that ends with ctx, and hands its lines on. What it says in its log is said under its name:
// at once, or, of one that says much, the end of it where it ends by itself.
func (d *demo) process(ctx context.Context, name string, much bool, lines func(string), program string,
	args ...string) error {
	cmd := exec.CommandContext(ctx, program, args...)
	cmd.Cancel = func() error { return cmd.Process.Signal(syscall.SIGTERM) }
	cmd.WaitDelay = 10 * time.Second
	// A signal to the terminal's whole group must not reach it before it reaches us.
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return err
	}
	errs, err := cmd.StderrPipe()
	if err != nil {
		return err
	}
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("%s: %w", program, err)
	}
	var last []string
	var logged sync.WaitGroup
	logged.Go(func() {
		for s := bufio.NewScanner(errs); s.Scan(); {
			if !much {
				d.log(name + ": " + s.Text())
			} else if last = append(last, s.Text()); len(last) > 20 {
				last = last[1:]
			}
		}
	})
	d.all.Go(func() {
		for s := bufio.NewScanner(out); s.Scan(); {
			lines(s.Text())
		}
		logged.Wait()
		if err := cmd.Wait(); ctx.Err() == nil {
			for _, line := range last {
				d.log(name + ": " + line)
			}
			d.log(fmt.Sprintf("%s ended: %v", name, cmp.Or(err, errors.New("without an error"))))
		}
	})
	return nil
}

func (d *demo) startHub(ctx context.Context) (url string, err error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	address := l.Addr().String()
	l.Close() // nats-server does not say which port it took
	config := filepath.Join(d.dir, "hub.conf")
	text := fmt.Sprintf("listen: %q\nmax_payload: 8MB\njetstream { store_dir: %q, max_file_store: %d }\n", address,
		filepath.Join(d.dir, "store"), 1<<30)
	if err := fileio.Write(config, []byte(text)); err != nil {
		return "", err
	}
	if err := d.process(ctx, "hub", true, func(string) {}, d.natsServer, "-c", config); err != nil {
		return "", err
	}
	url = "nats://" + address
	c, err := hub.Connect(hub.Options{URLs: []string{url}, Wait: true})
	if err != nil {
		return "", err
	}
	defer c.Close()
	limits := defaultLimits
	limits.EventBytes = 256 << 20
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	for err = errors.New("not yet"); err != nil && ctx.Err() == nil; {
		if err = c.CreateStreams(ctx, limits); err != nil {
			select {
			case <-ctx.Done():
			case <-time.After(100 * time.Millisecond):
			}
		}
	}
	return url, err
}

var (
	grpcLine = regexp.MustCompile(`^gRPC\s+(\S+)$`)
	pageLine = regexp.MustCompile(`^page\s+(\S+)`)
)

// startRobot runs a daemon with the demo, and a bridge beside it.
func (d *demo) startRobot(ctx context.Context, url, name string, seed int) error {
	address, page := make(chan string, 1), make(chan string, 1)
	first := func(to chan string, found []string) {
		if found != nil {
			select {
			case to <- found[1]:
			default:
			}
		}
	}
	args := append([]string{"--listen", "127.0.0.1:0", "--http", "127.0.0.1:0", "--log-level", "error",
		"--seed", fmt.Sprint(seed), "--max-lag", "0s"}, d.daemonArgs...)
	err := d.process(ctx, name, false, func(line string) {
		first(address, grpcLine.FindStringSubmatch(line))
		first(page, pageLine.FindStringSubmatch(line))
	}, d.facetd, args...)
	if err != nil {
		return err
	}
	cfg := bridge.Config{Robot: name, Version: version, Log: func(line string) { d.log(name + ": " + line) }}
	wait := time.NewTimer(time.Minute)
	defer wait.Stop()
	at := ""
	for at == "" || cfg.Page == "" {
		select {
		case at = <-address:
		case cfg.Page = <-page:
		case <-ctx.Done():
			return ctx.Err()
		case <-wait.C:
			return fmt.Errorf("%s did not say where it listens", d.facetd)
		}
	}
	if cfg.Daemon, err = facet.Connect(at, facet.Options{}); err != nil {
		return err
	}
	if cfg.Hub, err = hub.Connect(hub.Options{URLs: []string{url}, Name: name, Wait: true}); err != nil {
		return err
	}
	b, err := bridge.New(cfg)
	if err != nil {
		return err
	}
	d.all.Go(func() {
		defer cfg.Daemon.Close()
		defer cfg.Hub.Close()
		if err := b.Run(ctx); err != nil {
			d.log(name + ": " + err.Error())
		}
	})
	fmt.Fprintf(d.out, "%s  gRPC %s  page %s\n", name, at, cfg.Page)
	return nil
}
