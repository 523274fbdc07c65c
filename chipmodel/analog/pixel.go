package analog

import "math"

// Doubling is the factor by which something that doubles every so many kelvin
// has grown from 300 K; no doubling means 1. That leakage and dark current go so over a
// few tens of kelvin is common practice, no source.
func Doubling(kelvin, perKelvin float64) float64 {
	if perKelvin <= 0 {
		return 1
	}
	return math.Exp2((kelvin - 300) / perKelvin)
}

// KTCVolts is the noise that opening a switch leaves on a capacitor: sqrt(kT/C)
// (Nyquist; equipartition).
func KTCVolts(kelvin, farads float64) float64 {
	return math.Sqrt(BoltzmannJPerK * kelvin / farads)
}

// LogResponse is y = a + b ln(c + x), the response of a logarithmic pixel to light
// x (Joseph and Collins, IEEE Trans. Instrum. Meas. 51(5), 2002; seen in the abstract).
func LogResponse(a, b, c, x float64) float64 { return a + b*math.Log(c+x) }

// DroopVoltsPerS is how fast a held cell loses voltage: leakage over capacitance.
func DroopVoltsPerS(amperes, farads float64) float64 { return amperes / farads }

// LogTau is the time constant C U_T / I of a logarithmic pixel at a photocurrent in
// amperes (small signals, weak inversion, load seen at its source).
func LogTau(farads, kelvin, amperes float64) float64 {
	return farads * ThermalVolts(kelvin) / amperes
}
