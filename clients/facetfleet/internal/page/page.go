// Package page is the page of a hub: all robots by health, the worst first, the events of all of them, and thumbnails
// of one under a lease. It shows and changes nothing. Its files stand in static as they are served; there is no build
// step.
package page

import (
	"bytes"
	"context"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"path"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/klauspost/compress/gzhttp"

	"facetd.example/api/cli"
	"facetd.example/api/tokens"
	"facetd.example/clients/facetfleet/internal/fleet"
	"facetd.example/clients/facetfleet/internal/hub"
)

//go:embed static
var files embed.FS

// policy lets the page have nothing from anywhere else.
const policy = "default-src 'self'; img-src 'self' data:; base-uri 'none'; object-src 'none'; form-action 'none'; " +
	"frame-ancestors 'none'"

const (
	// interval is how often what has changed goes to a browser.
	interval = time.Second
	// eventsKept is how many events the page shows.
	eventsKept = 200
	// mostBrowsers is how many streams are open at a time; more are refused.
	mostBrowsers = 64
	// thumbnailBytes a second are asked for while somebody looks at a robot.
	thumbnailBytes = 64 << 10
)

// Page follows the hub once for all browsers.
type Page struct {
	hub     *hub.Conn
	log     func(string)
	streams chan struct{}

	mu      sync.Mutex
	version uint64
	robots  map[string]*entry
	events  []*event
	gone    map[string]uint64 // versions at which robots were forgotten
}

type entry struct {
	robot   *fleet.Robot
	version uint64
}

type event struct {
	version uint64
	line    eventLine
}

// eventLine is an event as the page shows it.
type eventLine struct {
	Number   uint64    `json:"number"`
	Robot    string    `json:"robot"`
	Time     time.Time `json:"time"`
	Severity string    `json:"severity"`
	Text     string    `json:"text"`
}

// robotLine is a robot as the page shows it. Ages are of when it was sent.
type robotLine struct {
	Name   string  `json:"name"`
	Word   string  `json:"word"`
	Rank   int     `json:"rank"`
	Age    float64 `json:"age"`
	State  string  `json:"state"`
	Alarms uint32  `json:"alarms"`
	Late   uint64  `json:"late"`
	Failed uint64  `json:"failed"`
	Rules  uint64  `json:"rules"`
	Bus    float64 `json:"bus"`
	Behind uint64  `json:"behind"`
	What   string  `json:"what"`
	Page   string  `json:"page,omitempty"`
	// List of the alarms, the worst first.
	List []alarmLine `json:"list,omitempty"`
}

// alarmLine is an alarm as the page shows it.
type alarmLine struct {
	ID     string    `json:"id"`
	State  string    `json:"state"`
	Since  time.Time `json:"since"`
	Text   string    `json:"text"`
	Action string    `json:"action"`
}

func alarmsOf(r *fleet.Robot) (lines []alarmLine) {
	for _, a := range r.GetAlarmList() {
		lines = append(lines, alarmLine{a.GetId(), cli.Label(a.GetState(), "HEALTH_STATE_"), a.GetSinceTime().AsTime(),
			a.GetText(), a.GetAction()})
	}
	return lines
}

// New returns a page that follows a hub while Run runs.
func New(c *hub.Conn, log func(string)) *Page {
	return &Page{hub: c, log: log, streams: make(chan struct{}, mostBrowsers), robots: map[string]*entry{},
		gone: map[string]uint64{}}
}

// Run follows the hub until ctx ends; after trouble it begins anew.
func (p *Page) Run(ctx context.Context) {
	var both sync.WaitGroup
	both.Go(func() {
		p.again(ctx, "robots", func() error { return fleet.Watch(ctx, p.hub, p.takeRobot) })
	})
	both.Go(func() {
		p.again(ctx, "events", func() error {
			return fleet.Events(ctx, p.hub, fleet.EventOptions{Newest: eventsKept, Follow: true}, p.takeEvent)
		})
	})
	both.Wait()
}

func (p *Page) again(ctx context.Context, what string, f func() error) {
	for ctx.Err() == nil {
		if err := f(); ctx.Err() == nil {
			p.log(fmt.Sprintf("%s: %v", what, err))
		}
		select {
		case <-ctx.Done():
		case <-time.After(interval):
		}
	}
}

func (p *Page) takeRobot(r *fleet.Robot) error {
	if r == nil {
		return nil
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.version++
	if r.Forgotten {
		if p.robots[r.GetName()] != nil {
			p.gone[r.GetName()] = p.version
			delete(p.robots, r.GetName())
		}
		return nil
	}
	delete(p.gone, r.GetName())
	p.robots[r.GetName()] = &entry{r, p.version}
	return nil
}

func (p *Page) takeEvent(e *fleet.Event) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	line := lineOf(e)
	if slices.ContainsFunc(p.events, func(o *event) bool { return o.line == line }) {
		return nil // read again after trouble
	}
	p.version++
	if p.events = append(p.events, &event{p.version, line}); len(p.events) > eventsKept {
		p.events = p.events[1:]
	}
	return nil
}

func lineOf(e *fleet.Event) eventLine {
	if g := e.GetGap(); g != nil {
		text := fmt.Sprintf("%d events lacking: %s", g.GetEvents(), g.GetReason())
		if !g.GetExact() {
			text = "at least " + text
		}
		return eventLine{e.Number, e.GetRobot(), g.GetTime().AsTime(), "gap", text}
	}
	v := e.GetEvent()
	return eventLine{e.Number, e.GetRobot(), v.GetTime().AsTime(),
		cli.Label(v.GetSeverity(), "SEVERITY_"), v.GetText()}
}

// changes are the robots and events that are newer than a version, and the version that they make; before is when that
// version was asked for.
func (p *Page) changes(after uint64, before, now time.Time) (robots []robotLine, gone []string, events []eventLine,
	version uint64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	var changed []*fleet.Robot
	for _, e := range p.robots {
		// One that has fallen silent has changed by saying nothing.
		fell := e.robot.Silent(now) && !e.robot.Silent(before)
		if e.version > after || fell {
			changed = append(changed, e.robot)
		}
	}
	fleet.Sort(changed, now)
	for _, r := range changed {
		robots = append(robots, robotLine{r.GetName(), r.Word(now), r.Rank(now), r.Age(now).Seconds(),
			cli.Label(r.GetState(), "STATE_"), r.GetAlarms(), r.GetJobsLate(),
			r.GetJobsFailed(), r.GetRuleViolations(), r.GetUtilization(), r.Behind(), r.What(), safe(r.GetPage()),
			alarmsOf(r)})
	}
	for _, e := range p.events {
		if e.version > after {
			events = append(events, e.line)
		}
	}
	for name, version := range p.gone {
		if version > after && after > 0 {
			gone = append(gone, name)
		}
	}
	return robots, gone, events, p.version
}

// safe is an address that a browser may be sent to: a robot may say anything about itself.
func safe(address string) string {
	if strings.HasPrefix(address, "http://") || strings.HasPrefix(address, "https://") {
		return address
	}
	return ""
}

// Handler serves the page to browsers that ask for one of these hosts, and for addresses: a page of somebody else's
// under a name of its own may not read it.
func (p *Page) Handler(hosts []string) http.Handler {
	mux := http.NewServeMux()
	for file, kind := range map[string]string{"style.css": "text/css; charset=utf-8",
		"main.mjs": "text/javascript; charset=utf-8", "icon.svg": "image/svg+xml"} {
		mux.Handle("GET /page/"+file, gzhttp.GzipHandler(static("static/"+file, kind)))
	}
	mux.Handle("GET /page/tokens.css", serve(tokens.CSS(), "text/css; charset=utf-8"))
	mux.Handle("GET /{$}", gzhttp.GzipHandler(static("static/index.html", "text/html; charset=utf-8")))
	mux.HandleFunc("GET /fleet/changes", p.serveChanges)
	mux.HandleFunc("GET /fleet/thumbnails", p.serveThumbnails)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !known(r.Host, hosts) {
			http.Error(w, "this page is not served under that name; give it with --host", http.StatusForbidden)
			return
		}
		if site := r.Header.Get("Sec-Fetch-Site"); site == "cross-site" && r.URL.Path != "/" {
			http.Error(w, "not for pages of other sites", http.StatusForbidden)
			return
		}
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cache-Control", "no-cache")
		mux.ServeHTTP(w, r)
	})
}

func known(host string, hosts []string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	return host == "localhost" || net.ParseIP(strings.Trim(host, "[]")) != nil || slices.Contains(hosts, host)
}

func static(name, kind string) http.Handler {
	data, err := files.ReadFile(name)
	if err != nil {
		return http.NotFoundHandler()
	}
	return serve(data, kind)
}

func serve(data []byte, kind string) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", kind)
		http.ServeContent(w, r, path.Base(r.URL.Path), time.Time{}, bytes.NewReader(data))
	})
}

// stream opens a stream of server-sent events; send writes one of them.
func (p *Page) stream(w http.ResponseWriter) (send func(kind string, value any) error, done func(), ok bool) {
	select {
	case p.streams <- struct{}{}:
	default:
		http.Error(w, "too many browsers are open", http.StatusServiceUnavailable)
		return nil, nil, false
	}
	w.Header().Set("Content-Type", "text/event-stream")
	control := http.NewResponseController(w)
	return func(kind string, value any) error {
		data, err := json.Marshal(value)
		if err != nil {
			return err
		}
		if err := control.SetWriteDeadline(time.Now().Add(10 * time.Second)); err != nil {
			return err
		}
		if _, err := fmt.Fprintf(w, "event: %s\ndata: %s\n\n", kind, data); err != nil {
			return err
		}
		return control.Flush()
	}, func() { <-p.streams }, true
}

// serveChanges sends all robots and events, and then each second what has changed.
func (p *Page) serveChanges(w http.ResponseWriter, r *http.Request) {
	send, done, ok := p.stream(w)
	if !ok {
		return
	}
	defer done()
	tick := time.NewTicker(interval)
	defer tick.Stop()
	before := time.Now()
	for version := uint64(0); ; {
		now := time.Now()
		robots, gone, events, newest := p.changes(version, before, now)
		version, before = newest, now
		if send("changes", map[string]any{"robots": robots, "gone": gone, "events": events,
			"hub": p.hub.NC.IsConnected()}) != nil {
			return
		}
		select {
		case <-r.Context().Done():
			return
		case <-tick.C:
		}
	}
}

// serveThumbnails takes a lease for as long as a browser looks.
func (p *Page) serveThumbnails(w http.ResponseWriter, r *http.Request) {
	robot := r.URL.Query().Get("robot")
	send, done, ok := p.stream(w)
	if !ok {
		return
	}
	defer done()
	err := fleet.Frames(r.Context(), p.hub, fleet.LeaseOptions{Robot: robot, Thumbnails: true,
		BytesPerSecond: thumbnailBytes}, func(f *thumbnailSet) error {
		return send("set", pictures(f))
	})
	var silent *fleet.SilentError
	var refused *fleet.RefusedError
	if errors.As(err, &silent) || errors.As(err, &refused) {
		if send("trouble", map[string]string{"text": err.Error()}) == nil {
			<-r.Context().Done() // the browser would ask again at once
		}
	}
}
