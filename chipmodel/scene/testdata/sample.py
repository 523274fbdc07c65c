"""Times scipy's bilinear sampling of a panorama, a general-purpose reference:
the directions of a turning chip's pixels to azimuth and elevation with numpy,
then scipy.ndimage.map_coordinates of first order. Prints nanoseconds a pixel.
Usage: sample.py SIDE
"""
import sys
import time

import numpy
from scipy import ndimage

side = int(sys.argv[1])
panorama = numpy.random.default_rng(1).random((512, 1024))
tangent = numpy.tan(numpy.radians(25)) * (2 * (numpy.arange(side) + 0.5) / side - 1)
left, up = numpy.meshgrid(-tangent, -tangent)
rays = numpy.stack([numpy.ones_like(left), left, up])
rays /= numpy.linalg.norm(rays, axis=0)


def frame(yaw):
    cos, sin = numpy.cos(yaw), numpy.sin(yaw)
    x, y, z = cos * rays[0] - sin * rays[1], sin * rays[0] + cos * rays[1], rays[2]
    column = (0.5 - numpy.arctan2(y, x) / (2 * numpy.pi)) * 1024 - 0.5
    row = (0.5 - numpy.arcsin(z) / numpy.pi) * 512 - 0.5
    return ndimage.map_coordinates(panorama, [row, column], order=1, mode="grid-wrap")


best = 1e9
for turn in range(30):
    begin = time.perf_counter()
    frame(0.1 * turn)
    best = min(best, time.perf_counter() - begin)
print(best / side / side * 1e9)
