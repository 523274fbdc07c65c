package virtual

import (
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
)

// Makers for tests: the simulated dies, nominal ones, and dies that do nothing.
var (
	simulated = nominal // until the simulated dies are there
	nominal   = makers{nominalDieOf, nominalLaneOf}
	empty     = makers{
		func(*chipmodel.Array, int, uint64) dieModel { return nothing{} },
		func(*chipmodel.Array, int, uint64) laneModel { return nothing{} },
	}
)

type nothing struct{}

func (nothing) Write(facetdv1.Register, uint16)                         {}
func (nothing) Strobe(facetdv1.Strobe, int64, time.Duration, lightFunc) {}
func (nothing) Row([]float64, int, int, int, int64, int64, lightFunc)   {}
func (nothing) Convert([]uint16, []float64)                             {}
