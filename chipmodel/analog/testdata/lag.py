"""Makes lag.json: logarithmic pixels under light that changes, by an ODE solver.

C dV/dt = I_load - I_photo with an exponential load (weak inversion): with s the light
shown, d(ln s)/dt = (x(t) - s) / k, k = C U_T / I(1 lux). scipy.integrate.solve_ivp,
Radau, relative tolerance 1e-10. Run with python3 lag.py > lag.json.
"""
import json
import math

from scipy.integrate import solve_ivp
from scipy.optimize import minimize_scalar

K, Q, T = 1.380649e-23, 1.602176634e-19, 300.0
FARADS, AMPERES_PER_LUX, PER_DECADE = 60e-15, 90e-15, 0.2
LUX_SECONDS = FARADS * K * T / Q / AMPERES_PER_LUX


def shown(light, start, times, longest):
    """ln of the light shown at times, from a start in lux at times[0]."""
    r = solve_ivp(lambda t, y: [(light(t) - math.exp(y[0])) / LUX_SECONDS], (times[0], times[-1]), [math.log(start)],
                  method="Radau", rtol=1e-10, atol=1e-12, t_eval=times, max_step=longest)
    return [float(v) for v in r.y[0]]


def ripple(lux, hz, depth):
    """Peak to peak of the settled swing, in volts."""
    light = lambda t: lux * (1 + depth * math.sin(2 * math.pi * hz * t))
    cycles = max(3, math.ceil(20 * LUX_SECONDS / lux * hz))
    times = [i / hz / 2000 for i in range(2000 * cycles, 2000 * cycles + 2001)]
    r = solve_ivp(lambda t, y: [(light(t) - math.exp(y[0])) / LUX_SECONDS], (0, times[-1]), [math.log(lux)],
                  method="Radau", rtol=1e-10, atol=1e-12, t_eval=times, max_step=1 / hz / 40)
    y = r.y[0]
    return PER_DECADE / math.log(10) * float(max(y) - min(y))


def cases():
    out = []
    for lux, depth in ((1, 0.3), (0.1, 0.3), (10, 0.3), (3, 0.8)):
        for rise in (0.0, 1.5, -0.9):  # change of the mean light within the time looked at
            span, hz = 0.1, 100
            mean = lambda t, lux=lux, rise=rise: lux * math.exp(math.log1p(rise) * t / span)
            light = lambda t: mean(t) * (1 + depth * math.sin(2 * math.pi * hz * t))
            times = [i * span / 50 for i in range(51)]
            out.append({"lux": lux, "depth": depth, "hz": hz, "rise": rise, "span_s": span, "start_lux": 0.7 * lux,
                        "ln_shown": shown(light, 0.7 * lux, times, 1 / hz / 40)})
    return out


print(json.dumps({
    "source": "C dV/dt = I_load - I_photo in weak inversion (as in logstep.json)",
    "status": "derived: scipy.integrate.solve_ivp by lag.py",
    "farads": FARADS, "amperes_per_lux": AMPERES_PER_LUX, "volts_per_decade": PER_DECADE, "kelvin": T,
    "ripple": [{"lux": lux, "hz": hz, "depth": depth, "peak_to_peak_volts": ripple(lux, hz, depth)}
               for lux, hz, depth in ((1, 100, 0.3), (0.1, 100, 0.3), (10, 100, 0.3), (0.01, 120, 0.9), (300, 120, 0.9),
                                      (1, 100, 1.0), (1, 1000, 0.5))],
    "gaps": cases()}, indent=0))
