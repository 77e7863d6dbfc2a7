#!/usr/bin/env python3
"""The plain recipe with OpenCV, on the clip that `against-plain` gives it: what a
person writes in an afternoon, and what the program must not be slower than.

    plain_recipe.py FRAMES.avi PROGRAM ARGUMENTS…

JPEG decode, colour ranges in HSV, dilation, connected regions, area threshold;
of each region its centre and lowest edge. One thread. Then the program runs over the
same clip. Prints milliseconds of processor time a frame: decode alone, the recipe
with its decode, the program with all that it reads and writes. Processor time, since
a busy machine adds less to it than to the clock.
"""

import pathlib
import resource
import struct
import subprocess
import sys
import time

import cv2
import numpy as np

cv2.setNumThreads(1)

# Grey ground of middling brightness is none of these.
RANGES = [((0, 90, 40), (179, 255, 255)), ((0, 0, 0), (179, 255, 45)), ((0, 0, 215), (179, 60, 255))]
KERNEL = np.ones((5, 5), np.uint8)
LEAST_AREA_PX = 400


def jpegs(path):
    """The pictures of an MJPEG AVI."""
    data, at = pathlib.Path(path).read_bytes(), 12
    while at + 8 <= len(data):
        kind, size = data[at : at + 4], struct.unpack("<I", data[at + 4 : at + 8])[0]
        if kind == b"LIST":
            at += 12
            continue
        if kind == b"00dc":
            yield np.frombuffer(data, np.uint8, size, at + 8)
        at += 8 + size + size % 2


def look(jpeg):
    picture = cv2.imdecode(jpeg, cv2.IMREAD_COLOR)
    hsv = cv2.cvtColor(picture, cv2.COLOR_BGR2HSV)
    mask = cv2.inRange(hsv, *RANGES[0])
    for low, high in RANGES[1:]:
        mask = cv2.bitwise_or(mask, cv2.inRange(hsv, low, high))
    mask = cv2.dilate(mask, KERNEL)
    _, _, stats, centres = cv2.connectedComponentsWithStats(mask)
    large = np.flatnonzero(stats[1:, cv2.CC_STAT_AREA] >= LEAST_AREA_PX) + 1
    lowest = stats[large, cv2.CC_STAT_TOP] + stats[large, cv2.CC_STAT_HEIGHT] - 1
    return list(zip(centres[large], lowest))


def main():
    frames = list(jpegs(sys.argv[1]))
    look(frames[0])
    begun = time.process_time()
    for jpeg in frames:
        cv2.imdecode(jpeg, cv2.IMREAD_COLOR)
    decode = time.process_time() - begun
    begun = time.process_time()
    for jpeg in frames:
        look(jpeg)
    recipe = time.process_time() - begun
    subprocess.run(sys.argv[2:], check=True, stdout=subprocess.DEVNULL)
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    times = decode, recipe, used.ru_utime + used.ru_stime
    print(*(f"{1e3 * t / len(frames):.3f}" for t in times))


if __name__ == "__main__":
    main()
