package virtual

import (
	"time"

	"facetd.example/chipmodel"
	"facetd.example/chipmodel/die"
)

// ideal makes dies without mismatch, noise, lag and leakage, on lanes that settle fully: what a readout gives follows
// from the light and from what was done with the chip alone.
var ideal = makers{
	die: func(a *chipmodel.Array, chip int, _ uint64) dieModel { return die.NewClass(a.Chips[chip].Class, nil) },
	lane: func(a *chipmodel.Array, lane int, seed uint64) laneModel {
		return idealLane{die.NewLane(a, lane, seed)}
	},
}

type idealLane struct{ *die.Lane }

func (idealLane) Residual(_, _ time.Duration) float64 { return 0 }
