"""Shifts seeded pictures through their Fourier transform, and says what skimage finds of the shift.

Asked by a JSON object with side, seed and shifts ([x, y] in pixels); answers with the pictures and skimage's shifts.
"""

import json
import sys

import numpy as np
from skimage.registration import phase_cross_correlation

request = json.load(sys.stdin)
side, rng = request["side"], np.random.default_rng(request["seed"])
ky, kx = np.meshgrid(np.fft.fftfreq(side), np.fft.fftfreq(side), indexing="ij")
answers = []
for x, y in request["shifts"]:
    spectrum = np.fft.fft2(rng.standard_normal((side, side)))
    spectrum *= np.exp(-((kx**2 + ky**2) / (2 * 0.08**2)))  # as sharp as a lens and pixels show it
    spectrum[side // 2, :] = spectrum[:, side // 2] = 0
    first = np.fft.ifft2(spectrum).real
    second = np.fft.ifft2(spectrum * np.exp(-2j * np.pi * (kx * x + ky * y))).real
    back = phase_cross_correlation(first, second, upsample_factor=100)[0]
    answers.append({"first": first.ravel().tolist(), "second": second.ravel().tolist(),
                    "x": -back[1], "y": -back[0]})
json.dump(answers, sys.stdout)
