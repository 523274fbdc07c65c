// Package analog holds the physics of a sensor die and of its way to the
// converter, as pure functions and kernels that allocate nothing per step: switch
// patterns and the sharing of charge, analog memory, pixels, noise, lanes and
// converters.
//
// Volts, farads, amperes, ohms, kelvin, lux and seconds are float64 in SI units
// unless a name says otherwise. Formulas name their sources.
package analog

// Exact constants of the SI (2019; from memory).
const (
	BoltzmannJPerK = 1.380649e-23
	ElectronC      = 1.602176634e-19
)

// ThermalVolts is kT/q.
func ThermalVolts(kelvin float64) float64 { return BoltzmannJPerK * kelvin / ElectronC }
