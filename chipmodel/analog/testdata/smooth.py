"""Smooths and bins the images on standard input with scipy and numpy.

Input and output are JSON. For every image of n x n cells: gaussian_filter of variance
2k - 1/2 after k double steps of alternating pair shares, and the means of blocks of
2 x 2, 4 x 4 and 8 x 8. With "bench" a block mean is timed as well, in nanoseconds a
pixel, and one Gaussian filter likewise.
"""

import json
import sys
import timeit

import numpy as np
from scipy import ndimage


def block_means(image, n):
    rows, columns = image.shape
    small = image.reshape(rows // n, n, columns // n, n).mean(axis=(1, 3))
    return np.repeat(np.repeat(small, n, 0), n, 1)


def per_pixel_ns(job, image):
    number = max(1, 400_000 // image.size)
    return min(timeit.repeat(job, number=number, repeat=5)) / number / image.size * 1e9


def answer(image, double_steps, bench):
    out = {
        "gaussian": [
            ndimage.gaussian_filter(image, np.sqrt(2 * k - 0.5), mode="reflect", truncate=10).ravel().tolist()
            for k in double_steps
        ],
        "means": [block_means(image, n).ravel().tolist() for n in (2, 4, 8)],
    }
    if bench:
        out["means_ns"] = [per_pixel_ns(lambda n=n: block_means(image, n), image) for n in (2, 4, 8)]
        out["gaussian_ns"] = per_pixel_ns(lambda: ndimage.gaussian_filter(image, np.sqrt(1.5), mode="reflect"), image)
    return out


def main():
    request = json.load(sys.stdin)
    if "generate" in request:
        image = np.random.default_rng(request["generate"]).random((64, 64))
        json.dump({"image": image.ravel().tolist()}, sys.stdout)
        return
    answers = [
        answer(np.array(i).reshape(request["rows"], -1), request["double_steps"] or [], request.get("bench", False))
        for i in request["images"]
    ]
    json.dump(answers, sys.stdout)


main()
