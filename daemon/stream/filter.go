package stream

import (
	"slices"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/shallow"
)

// filter chooses frame sets by task, and frames by chip.
type filter struct{ tasks, chips map[string]bool }

func newFilter(o Options) filter { return filter{setOf(o.Tasks), setOf(o.Chips)} }

func setOf(names []string) map[string]bool {
	set := make(map[string]bool, len(names))
	for _, n := range names {
		set[n] = true
	}
	return set
}

func (f filter) wants(fs *facetdv1.FrameSet) bool {
	if !f.wantsTask(fs.GetTask()) {
		return false
	}
	return len(f.chips) == 0 || len(fs.GetFrames()) == 0 || slices.ContainsFunc(fs.GetFrames(), f.has)
}

func (f filter) wantsTask(task string) bool { return len(f.tasks) == 0 || f.tasks[task] }

func (f filter) has(frame *facetdv1.Frame) bool { return f.chips[frame.GetChip()] }

// cut returns the frame set with the wanted chips' frames only. The original is
// shared with others and stays as it is.
func (f filter) cut(fs *facetdv1.FrameSet) *facetdv1.FrameSet {
	if len(f.chips) == 0 || fs == nil {
		return fs
	}
	out := shallow.Without(fs, "frames")
	for _, frame := range fs.GetFrames() {
		if f.has(frame) {
			out.Frames = append(out.Frames, frame)
		}
	}
	return out
}
