#!/usr/bin/env python3
"""Makes the lens vectors of tests/reference/*.txt with OpenCV.

    python3 -m venv /tmp/ref
    /tmp/ref/bin/pip install opencv-python-headless==5.0.0.93 numpy==2.4.6
    /tmp/ref/bin/python tests/reference/make_lens_vectors.py

Each file holds one lens and two blocks over the whole picture, corners included:
  forward  X Y Z u v   cv2.projectPoints / cv2.fisheye.projectPoints
  inverse  u v x y     cv2.undistortPoints / cv2.fisheye.undistortPoints
(x, y) is the ray (x, y, 1) in the camera frame. The 110 degree lenses and the
150 degree fisheye have that angle across the picture's width; the 150 degree
Brown-Conrady lens has it across the diagonal, the widest for which three radial
coefficients still give every pixel of a 4:3 picture exactly one ray. The script
proves that, and that OpenCV's inverse has converged, before it writes a line.
"""

import pathlib

import cv2
import numpy as np

COLUMNS, ROWS = 20, 12


def brown(name, width, height, half_angle, half_extent):
    """A lens near the stereographic curve 2 tan(theta/2), fitted out to the corner."""
    corner = np.hypot(width, height) / 2
    f = half_extent / (2 * np.tan(half_angle / 2))
    theta_corner = 2 * np.arctan(corner / f / 2)
    r = np.linspace(0, np.tan(theta_corner) * 1.08, 4000)
    target = 2 * np.tan(np.arctan(r) / 2)
    a = np.stack([r**3, r**5, r**7], axis=1)
    weight = 1 / (0.2 + r)
    k = np.linalg.lstsq(a * weight[:, None], (target - r) * weight, rcond=None)[0]
    k = [float(f"{value:.4e}") for value in k]
    # The fit is not the curve itself: the focal length that gives the angle is.
    s = np.tan(half_angle) ** 2
    f = half_extent / (np.sqrt(s) * (1 + s * (k[0] + s * (k[1] + s * k[2]))))
    d = np.array([k[0], k[1], 0.0006, -0.0004, k[2]])
    k_matrix = np.array([[f, 0, width / 2 + 3.25], [0, f * 1.004, height / 2 - 5.5], [0, 0, 1]])
    return name, "brown-conrady", width, height, k_matrix.round(4), d


def fisheye(name, width, height, half_angle, k):
    t = half_angle
    theta_d = t * (1 + k[0] * t**2 + k[1] * t**4 + k[2] * t**6 + k[3] * t**8)
    f = width / 2 / theta_d
    k_matrix = np.array([[f, 0, width / 2 - 4.75], [0, f * 0.997, height / 2 + 3.5], [0, 0, 1]])
    return name, "kannala-brandt", width, height, k_matrix.round(4), np.array(k)


def project(model, points, k, d):
    zero = np.zeros(3)
    if model == "kannala-brandt":
        out, _ = cv2.fisheye.projectPoints(points.reshape(-1, 1, 3), zero, zero, k, d)
    else:
        out, _ = cv2.projectPoints(points.reshape(-1, 1, 3), zero, zero, k, d)
    return out.reshape(-1, 2)


def undistort(model, pixels, k, d):
    stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 100000, 1e-15)
    source = pixels.reshape(-1, 1, 2)
    if model == "kannala-brandt":
        out = cv2.fisheye.undistortPoints(source, k, d, criteria=stop)
    else:
        out = cv2.undistortPoints(source, k, d, criteria=stop)
    return out.reshape(-1, 2)


def check_one_ray_per_pixel(model, k, d, rays):
    """The distortion's Jacobian determinant stays positive along every ray's way out."""
    for share in np.linspace(0.02, 1.0, 50):
        xy = rays * share
        step = 1e-5

        def at(dx, dy):
            p = np.concatenate([xy + [dx, dy], np.ones((len(xy), 1))], axis=1)
            return project(model, p, k, d)

        du = (at(step, 0) - at(-step, 0)) / (2 * step)
        dv = (at(0, step) - at(0, -step)) / (2 * step)
        assert (du[:, 0] * dv[:, 1] - du[:, 1] * dv[:, 0] > 0).all(), "folded"


def write(lens):
    name, model, width, height, k, d = lens
    u = np.linspace(0, width - 1, COLUMNS).round(2)
    v = np.linspace(0, height - 1, ROWS).round(2)
    pixels = np.array([(a, b) for b in v for a in u])
    rays = undistort(model, pixels, k, d)
    back = project(model, np.concatenate([rays, np.ones((len(rays), 1))], axis=1), k, d)
    worst = np.abs(back - pixels).max()
    assert worst < 1e-7, f"{name}: OpenCV's inverse is off by {worst} px"
    check_one_ray_per_pixel(model, k, d, rays)
    rng = np.random.default_rng(7)
    shifted = pixels + rng.uniform(-0.4, 0.4, pixels.shape)
    shifted = shifted.clip([0, 0], [width - 1, height - 1])
    shifted = undistort(model, shifted, k, d)
    depth = rng.uniform(0.3, 6.0, len(pixels))
    points = np.concatenate([shifted * depth[:, None], depth[:, None]], axis=1).round(5)
    seen = project(model, points, k, d)

    angle = np.degrees(np.arctan(np.hypot(*rays.T)))
    corners = angle[0] + angle[-1], angle[COLUMNS - 1] + angle[-COLUMNS]
    assert min(corners) >= int(name[-3:]), f"{name}: {corners} degrees across the diagonals"
    lines = [
        f"# {name}: made by make_lens_vectors.py with opencv-python-headless==5.0.0.93",
        f"# {min(corners):.1f} degrees or more across the diagonals, rays up to {angle.max():.1f} from the axis",
        f"lens {model} {width} {height} "
        + " ".join(repr(float(x)) for x in (k[0, 0], k[1, 1], k[0, 2], k[1, 2])),
        "coefficients " + " ".join(repr(float(x)) for x in d),
        "forward",
    ]
    lines += [f"{p[0]:.5f} {p[1]:.5f} {p[2]:.5f} {q[0]:.5f} {q[1]:.5f}" for p, q in zip(points, seen)]
    lines += ["inverse"]
    lines += [f"{p[0]:g} {p[1]:g} {r[0]:.10g} {r[1]:.10g}" for p, r in zip(pixels, rays)]
    path = pathlib.Path(__file__).parent / f"{name}.txt"
    path.write_text("\n".join(lines) + "\n")
    print(f"{name}: {len(pixels)} + {len(pixels)} points, {angle.max():.1f} degrees at most, d = {d}")


def main():
    version = cv2.__version__
    assert version == "5.0.0", f"OpenCV 5.0.0 expected, this is {version}"
    rad = np.radians
    diagonal = np.hypot(640, 480) / 2
    write(brown("brown_110", 640, 480, rad(55), 320))
    write(brown("brown_150", 640, 480, rad(76.5), diagonal))
    write(fisheye("fisheye_110", 640, 480, rad(55), [-0.012, 0.004, -0.0021, 0.0003]))
    write(fisheye("fisheye_150", 1280, 720, rad(75), [0.021, -0.0075, 0.0016, -0.0002]))


if __name__ == "__main__":
    main()
