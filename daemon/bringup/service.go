// Package bringup serves guided bring-up: it takes an engineer from a freshly wired array to an
// array file that can be trusted, in the order that is safe, with a verdict, numbers and pictures
// for every step. What steps need of the bus, and what captures mean, is in package measure; here
// their programs run in idle gaps of the timetable, the operator is asked, and runs are kept so
// that they can be resumed.
//
// The bus rules stay active throughout. A run goes on only while somebody reads its
// stream.
package bringup

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/api/invalid"
	"facetd.example/api/pages"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/daemon/bringup/measure"
	"facetd.example/daemon/events"
	"facetd.example/daemon/exclusive"
	"facetd.example/daemon/failure"
)

// Runner is what bring-up needs of the dispatcher.
type Runner interface {
	Program(ctx context.Context, ops []bus.Op) ([]bus.Capture, error)
	Resync()
}

// Light sets the light and temperature of a virtual bus.
type Light interface {
	GetScene(context.Context, *facetdv1.GetSceneRequest) (*facetdv1.GetSceneResponse, error)
	SetScene(context.Context, *facetdv1.SetSceneRequest) (*facetdv1.SetSceneResponse, error)
}

// Config holds what the service depends on.
type Config struct {
	Array *chipmodel.Array
	// ArrayName and ArrayFile are the array file as it was read, for the patch.
	ArrayName string
	ArrayFile []byte
	Runner    Runner
	// Light refuses unless the bus is virtual.
	Light Light
	// Probe runs the probe of the select lines.
	Probe func(ctx context.Context, progress func(*facetdv1.ProbeProgress) error) (*facetdv1.ProbeResult, error)
	// Now is the bus time.
	Now func() bus.Time
	// Data is the folder of the daemon's data; empty keeps runs in memory alone.
	Data string
	// Modes of its files and folders.
	Modes fileio.Modes
	// Version of the daemon.
	Version string
	// Clock is the host's time, for names of runs; nil means time.Now.
	Clock func() time.Time
	// Logger may be nil.
	Logger *zap.Logger
	// Events is where the verdicts of steps are reported; nil discards them.
	Events events.Sink
	// Refused, where set, is what starting and resuming end with: there is no array on a bus.
	// Earlier runs can be read all the same.
	Refused error
	// Claim takes the array for a measurement that would disturb others; nil means that
	// only bring-ups disturb each other.
	Claim func(by string) (release func(), err error)
}

// keptRuns limits the runs in memory; older ones that are on disk stay there.
const keptRuns = 64

// maxNote limits what is kept of an operator's note.
const maxNote = 1000

// Service is the service.
type Service struct {
	facetdv1.UnimplementedBringupServiceServer
	cfg Config

	mu sync.Mutex
	// ended counts the steps that ended, by verdict.
	ended map[facetdv1.Verdict]uint64
	runs  map[string]*facetdv1.BringupRun // as last stored; never changed in place
	// waiting is the question that the run in progress waits for.
	waiting *waiting
}

type waiting struct {
	id     string
	number uint32
	answer chan *facetdv1.AnswerBringupRequest // of one, so that nobody blocks
}

// New makes the service and reads earlier runs. The error says which of them cannot be read; the
// service works without them.
func New(cfg Config) (*Service, error) {
	s := &Service{cfg: cfg, runs: map[string]*facetdv1.BringupRun{}, ended: map[facetdv1.Verdict]uint64{}}
	if cfg.Clock == nil {
		s.cfg.Clock = time.Now
	}
	if cfg.Claim == nil {
		s.cfg.Claim = new(exclusive.Array).Claim
	}
	if cfg.Logger == nil {
		s.cfg.Logger = zap.NewNop()
	}
	err := s.load()
	return s, err
}

// Register registers the service.
func (s *Service) Register(r grpc.ServiceRegistrar) { facetdv1.RegisterBringupServiceServer(r, s) }

// StartBringup begins a run.
func (s *Service) StartBringup(r *facetdv1.StartBringupRequest,
	stream grpc.ServerStreamingServer[facetdv1.StartBringupResponse]) error {
	if s.cfg.Refused != nil {
		return s.cfg.Refused
	}
	steps, m := stepsOf(r.GetSteps())
	if len(m) > 0 {
		return m
	}
	leave, err := s.enter()
	if err != nil {
		return err
	}
	defer leave()
	run := &facetdv1.BringupRun{
		Id: s.newID(), Array: s.cfg.Array.Name, ArrayDigest: s.cfg.Array.Digest, Steps: steps,
		Unattended: r.GetUnattended(), VirtualLight: r.GetVirtualLight(),
		StartTime: timestamppb.New(s.cfg.Clock()), Version: s.cfg.Version,
	}
	for i := range s.cfg.Array.Chips {
		run.Chips = append(run.Chips, &facetdv1.BringupChip{Chip: s.cfg.Array.Chips[i].Name})
	}
	return s.goOn(stream.Context(), run, leave, func(e *facetdv1.BringupEvent) error {
		return stream.Send(&facetdv1.StartBringupResponse{Event: e})
	})
}

// stepsOf puts the steps asked for in order.
func stepsOf(asked []facetdv1.BringupStep) ([]facetdv1.BringupStep, invalid.Errors) {
	var m invalid.Errors
	if len(asked) == 0 {
		for n := facetdv1.BringupStep_BRINGUP_STEP_SUPPLIES; n <= facetdv1.BringupStep_BRINGUP_STEP_SKEW; n++ {
			asked = append(asked, n)
		}
	}
	for i, step := range asked {
		switch {
		case step < facetdv1.BringupStep_BRINGUP_STEP_SUPPLIES || step > facetdv1.BringupStep_BRINGUP_STEP_SKEW:
			m.Add(fmt.Sprintf("steps[%d]", i), fmt.Sprintf("there is no step %d", step), "use 1 to 11")
		case slices.Contains(asked[:i], step):
			m.Add(fmt.Sprintf("steps[%d]", i), "the step is listed twice", "list each step once")
		}
	}
	return slices.Sorted(slices.Values(asked)), m
}

// ResumeBringup goes on with a run.
func (s *Service) ResumeBringup(r *facetdv1.ResumeBringupRequest,
	stream grpc.ServerStreamingServer[facetdv1.ResumeBringupResponse]) error {
	if s.cfg.Refused != nil {
		return s.cfg.Refused
	}
	leave, err := s.enter()
	if err != nil {
		return err
	}
	defer leave()
	kept, err := s.get(r.GetId())
	if err != nil {
		return err
	}
	if kept.GetArrayDigest() != s.cfg.Array.Digest {
		return stuck(r.GetId(), "run %s was of an array described otherwise; start a new run", r.GetId())
	}
	if !slices.EqualFunc(kept.GetChips(), s.cfg.Array.Chips,
		func(k *facetdv1.BringupChip, c chipmodel.Chip) bool { return k.GetChip() == c.Name }) {
		return stuck(r.GetId(), "run %s does not hold the chips of the array: its file was changed; start a new run",
			r.GetId())
	}
	run := proto.CloneOf(kept)
	run.Unattended = run.Unattended || r.GetUnattended()
	return s.goOn(stream.Context(), run, leave, func(e *facetdv1.BringupEvent) error {
		return stream.Send(&facetdv1.ResumeBringupResponse{Event: e})
	})
}

// stuck is why a run cannot go on.
func stuck(subject, format string, args ...any) error {
	return &failure.Precondition{Kind: failure.Bringup, Subject: subject, Message: fmt.Sprintf(format, args...)}
}

// enter lets one call do the steps of a run, until leave, which may be called again. What
// that call finds of runs stays so meanwhile.
func (s *Service) enter() (leave func(), err error) {
	if leave, err = s.cfg.Claim("a bring-up"); err != nil {
		return nil, err
	}
	return sync.OnceFunc(leave), nil
}

// lightReturns finds out before a run whether the light that there is can be put back
// after it: not every one can be set by a client, such as a picture.
func (s *Service) lightReturns(ctx context.Context) error {
	now, err := s.cfg.Light.GetScene(ctx, &facetdv1.GetSceneRequest{})
	if err != nil {
		return err
	}
	scene := now.GetEnvironment().GetScene()
	if _, err := s.cfg.Light.SetScene(ctx, &facetdv1.SetSceneRequest{Scene: scene}); err != nil {
		return stuck("scene", "the present light, %s, could not be put back afterwards: %s; set another one first",
			scene, err)
	}
	return nil
}

// goOn does the steps of a run that are not done, and leaves before it says that the run
// has ended, since whoever reads that may begin another at once.
func (s *Service) goOn(ctx context.Context, run *facetdv1.BringupRun, leave func(),
	emit func(*facetdv1.BringupEvent) error) error {
	if run.GetVirtualLight() {
		if err := s.lightReturns(ctx); err != nil {
			return err
		}
	}
	if err := s.keep(run); err != nil {
		return err
	}
	if err := emit(&facetdv1.BringupEvent{Event: &facetdv1.BringupEvent_Started{Started: run}}); err != nil {
		return err
	}
	// Sweeps sample lanes before they have settled, which the inspector allows for level readouts
	// alone; the log says when that was.
	s.cfg.Logger.Info("bring-up goes on: settling sweeps look at lanes early on purpose",
		zap.String("run", run.GetId()), zap.Int64("bus_ns", s.cfg.Now().NS()))
	e := &engine{
		cfg: s.cfg, a: s.cfg.Array, p: measure.NewPrograms(s.cfg.Array), run: run, emit: emit, dark: map[int][]uint16{},
		ask: func(ctx context.Context, q *facetdv1.BringupQuestion) (bool, string, error) {
			return s.ask(ctx, run.Id, q, emit)
		},
	}
	for c, chip := range run.GetChips() {
		e.p.Settled(c, time.Duration(chip.GetSettleNs()))
	}
	err := s.steps(ctx, e)
	if restored := e.restore(); err == nil && restored != nil {
		err = restored
	}
	if err != nil {
		return err
	}
	leave()
	return emit(&facetdv1.BringupEvent{Event: &facetdv1.BringupEvent_Ended{Ended: run}})
}

func (s *Service) steps(ctx context.Context, e *engine) error {
	run := e.run
	for _, step := range run.GetSteps() {
		done := slices.ContainsFunc(run.GetResults(),
			func(r *facetdv1.BringupResult) bool { return r.GetStep() == step })
		if done {
			continue
		}
		result, err := e.one(ctx, step)
		if err != nil {
			return err
		}
		s.cfg.Logger.Info("bring-up step", zap.String("run", run.GetId()), zap.Stringer("step", step),
			zap.Stringer("verdict", result.GetVerdict()), zap.String("summary", result.GetSummary()))
		s.note(run, result)
		run.Results = append(run.Results, result)
		if measure.Worse(result.GetVerdict(), run.GetVerdict()) {
			run.Verdict = result.GetVerdict()
		}
		run.Finished = len(run.GetResults()) == len(run.GetSteps())
		if run.Finished {
			s.patch(run)
		}
		if err := s.keep(run); err != nil {
			return err
		}
		if err := e.emit(&facetdv1.BringupEvent{Event: &facetdv1.BringupEvent_Result{Result: result}}); err != nil {
			return err
		}
	}
	return nil
}

// patch puts all proposals into the array file. A file that cannot be edited in place
// gives no patch; the proposals stand in the results all the same.
func (s *Service) patch(run *facetdv1.BringupRun) {
	var changes []measure.Change
	for _, r := range run.GetResults() {
		for _, p := range r.GetProposals() {
			changes = append(changes, measure.Change{Path: p.GetPath(), Value: p.GetValue()})
		}
	}
	if len(changes) == 0 || len(s.cfg.ArrayFile) == 0 {
		return
	}
	if _, diff, err := measure.Patch(s.cfg.ArrayName, s.cfg.ArrayFile, changes); err == nil {
		run.Patch = diff
	}
}

// ask sends the question and waits for AnswerBringup, which may come before emit returns.
func (s *Service) ask(ctx context.Context, id string, q *facetdv1.BringupQuestion,
	emit func(*facetdv1.BringupEvent) error) (bool, string, error) {
	w := &waiting{id: id, number: q.GetNumber(), answer: make(chan *facetdv1.AnswerBringupRequest, 1)}
	s.mu.Lock()
	s.waiting = w
	s.mu.Unlock()
	defer func() {
		s.mu.Lock()
		s.waiting = nil
		s.mu.Unlock()
	}()
	if err := emit(&facetdv1.BringupEvent{Event: &facetdv1.BringupEvent_Question{Question: q}}); err != nil {
		return false, "", err
	}
	select {
	case a := <-w.answer:
		note := []rune(a.GetNote())
		return a.GetProceed(), string(note[:min(len(note), maxNote)]), nil
	case <-ctx.Done():
		return false, "", ctx.Err()
	}
}

// AnswerBringup answers a question.
func (s *Service) AnswerBringup(_ context.Context, r *facetdv1.AnswerBringupRequest) (*facetdv1.AnswerBringupResponse,
	error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.waiting == nil || s.waiting.id != r.GetId() || s.waiting.number != r.GetQuestion() {
		return nil, stuck(r.GetId(), "run %s does not wait for an answer to question %d", r.GetId(), r.GetQuestion())
	}
	s.waiting.answer <- r
	s.waiting = nil
	return &facetdv1.AnswerBringupResponse{}, nil
}

// ListBringups lists runs, newest first.
func (s *Service) ListBringups(_ context.Context,
	r *facetdv1.ListBringupsRequest) (*facetdv1.ListBringupsResponse, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	page, next, wrong := pages.Of(r, s.ids(), func(id string) string { return id })
	if len(wrong) > 0 {
		return nil, wrong
	}
	out := &facetdv1.ListBringupsResponse{NextPageToken: next}
	for _, id := range page {
		run := proto.CloneOf(s.runs[id])
		for _, r := range run.GetResults() {
			r.Measurements, r.Pictures = nil, nil
		}
		out.Runs = append(out.Runs, run)
	}
	return out, nil
}

// ids are the runs, newest first.
func (s *Service) ids() []string {
	ids := make([]string, 0, len(s.runs))
	for id := range s.runs {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	slices.Reverse(ids)
	return ids
}

// GetBringup returns a run.
func (s *Service) GetBringup(_ context.Context, r *facetdv1.GetBringupRequest) (*facetdv1.GetBringupResponse, error) {
	run, err := s.get(r.GetId())
	if err != nil {
		return nil, err
	}
	return &facetdv1.GetBringupResponse{Run: run}, nil
}

func (s *Service) get(id string) (*facetdv1.BringupRun, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	run := s.runs[id]
	if run == nil {
		return nil, &failure.NotFound{What: "bring-up", Name: id, Hint: "ListBringups lists them"}
	}
	return run, nil
}

// newID names a run by the host's time, and a number where that is taken.
func (s *Service) newID() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	base := s.cfg.Clock().UTC().Format("20060102-150405")
	id := base
	for n := 2; s.runs[id] != nil; n++ {
		id = fmt.Sprintf("%s-%d", base, n)
	}
	return id
}
