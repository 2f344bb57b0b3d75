"""Times a rotational gradient made with OpenCV on 1024 x 1024 float32, two threads: what `benches/records/enhance.md` compares.

Run: python reference/gradient_opencv.py
Two ways. "polar": the image unrolled with warpPolar (bilinear), the angle axis rolled by the rotation either way, and rolled up
again; 2048 angles, 725 radii at least, so that no pixel is skipped at the corners. "remap": two copies by cv2.remap (bilinear) with maps
of coordinates made beforehand, which are not timed. Prints the best and the median of 30 runs in ms.
Made with numpy 2.4 and opencv-python-headless 5.0.
"""

import time

import cv2
import numpy as np

SIDE, ROTATION_DEG = 1024, 25.0
CX, CY = 511.3, 513.8
cv2.setNumThreads(2)
y, x = np.mgrid[:SIDE, :SIDE].astype(np.float64)
dx, dy = x - CX, y - CY
image = (1e5 / np.maximum(np.hypot(dx, dy), 1.0) * (1 + 0.1 * np.exp(-((np.arctan2(dy, dx) / 0.2) ** 2)))).astype(np.float32)
image += (np.arange(SIDE * SIDE).reshape(SIDE, SIDE) * 37 % 64 * 0.3).astype(np.float32)


def polar():
    n_theta, n_radius = 2048, 730
    size = (n_radius, n_theta)
    unrolled = cv2.warpPolar(image, size, (CX, CY), n_radius, cv2.INTER_LINEAR)
    turn = round(ROTATION_DEG / 360 * n_theta)
    difference = 2 * unrolled - np.roll(unrolled, turn, 0) - np.roll(unrolled, -turn, 0)
    return cv2.warpPolar(difference, (SIDE, SIDE), (CX, CY), n_radius, cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)


def maps(sign):
    s, c = np.sin(np.radians(ROTATION_DEG)) * sign, np.cos(np.radians(ROTATION_DEG))
    return (CX + dx * c - dy * s).astype(np.float32), (CY + dx * s + dy * c).astype(np.float32)


FORWARD, BACKWARD = maps(1), maps(-1)


def remap():
    copies = [cv2.remap(image, mx, my, cv2.INTER_LINEAR, borderValue=float("nan")) for mx, my in (FORWARD, BACKWARD)]
    return 2 * image - copies[0] - copies[1]


for way in (polar, remap):
    way()
    times = []
    for _ in range(30):
        start = time.perf_counter()
        way()
        times.append(1e3 * (time.perf_counter() - start))
    print(f"{way.__name__}: best {min(times):.1f} ms, median {np.median(times):.1f} ms")
