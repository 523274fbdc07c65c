package virtual

import (
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/die"
)

// Makers for tests: nominal dies, and dies that do nothing.
var (
	nominal = makers{nominalDieOf, nominalLaneOf}
	empty   = makers{
		func(*chipmodel.Array, int, uint64) dieModel { return nothing{} },
		func(*chipmodel.Array, int, uint64) laneModel { return nothing{} },
	}
)

type nothing struct{}

func (nothing) Remember()                                                         {}
func (nothing) Undo()                                                             {}
func (nothing) Forget()                                                           {}
func (nothing) SetKelvin(float64)                                                 {}
func (nothing) Write(facetdv1.Register, uint16)                                   {}
func (nothing) Register(facetdv1.Register) uint16                                 { return 0 }
func (nothing) Strobe(facetdv1.Strobe, bus.Time, time.Duration, *die.Light)       {}
func (nothing) Row([]float64, int, int, int, bus.Time, time.Duration, *die.Light) {}
func (nothing) Residual(time.Duration, time.Duration) float64                     { return 0 }
func (nothing) Convert([]uint16, []float64, float64)                              {}
