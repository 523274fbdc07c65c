package autoexposure

import "math"

// mostWidened is how many times more may be taken for flicker at most.
const mostWidened = 8

// average is a mean over the last samples, which begins anew with one that is far from it.
type average struct {
	far  func(x, mean float64) float64 // how far a sample is from the mean: from 1 on it is another light
	most int                           // samples

	mean float64
	n    int
	// widened is how many times further still counts as flicker; 0 is once. It grows where the mean is left for the
	// third time within its own length.
	widened     float64
	left, twice int // samples ago the mean was left, and left before that; 0 is never
	bounds      int // samples in a row that are bounds alone
	quiet       int // samples in a row that were not far, by the first measure
}

// ratio is far for what is proportional to the light.
func ratio(x, mean float64) float64 { return math.Abs(math.Log2(x / mean)) }

// leave begins anew with the next sample, whatever it is.
func (a *average) leave() {
	if a.n > 0 {
		if a.twice > 0 && a.twice <= a.most {
			a.widened = min(2*a.widened, mostWidened)
		}
		a.left, a.twice = 1, a.left
	}
	a.n, a.bounds, a.quiet = 0, 0, 0
}

// follow takes a sample and returns the mean.
func (a *average) follow(x float64) float64 {
	a.bounds = 0
	return a.take(x)
}

// bound takes a sample that says no more than that the light is at least, or at most, so much. Where more than a factor
// is taken for flicker it is one like any other, if not too many come in a row; false says that the light is another.
func (a *average) bound(x float64) (mean float64, ok bool) {
	a.bounds++
	if a.n == 0 || a.widened <= 1 || a.bounds > a.most/2 || a.far(x, a.mean) > a.widened {
		a.pass()
		a.leave()
		return 0, false
	}
	return a.take(x), true
}

// pass counts a sample.
func (a *average) pass() {
	a.widened = max(a.widened, 1)
	for _, ago := range []*int{&a.left, &a.twice} {
		if *ago > 0 {
			*ago++
		}
	}
	if a.quiet++; a.quiet > 4*a.most {
		a.widened = 1
	}
}

func (a *average) take(x float64) float64 {
	a.pass()
	if a.n > 0 {
		switch far := a.far(x, a.mean); {
		case far > a.widened:
			a.leave()
		case far > 1:
			a.quiet = 0
		}
	}
	if a.n = min(a.n+1, a.most); a.n == 1 {
		a.mean = 0
	}
	a.mean += (x - a.mean) / float64(a.n)
	return a.mean
}
