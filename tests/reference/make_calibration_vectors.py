#!/usr/bin/env python3
"""Makes the calibration vectors of tests/reference/ with OpenCV.

    python3 -m venv /tmp/ref
    /tmp/ref/bin/pip install opencv-python-headless==5.0.0.93 numpy==2.4.6
    /tmp/ref/bin/python tests/reference/make_calibration_vectors.py

Reads  corners_left.txt, corners_right.txt: corners that the project's own finder
       measured in left01..14.jpg and right01..14.jpg of Debian's opencv-doc 4.6.0
       (9x6 inner corners, 25 mm squares), columns `column row u v`.
       The pictures themselves, for corners_left_11px.txt: OpenCV's own corners.
Writes calibrations.txt: what cv2.calibrateCamera makes of the same corners, and
       what cv2.fisheye.calibrate makes of the boards in fisheye_boards.txt;
       fisheye_boards.txt: made boards seen by a 150 degree fisheye, 0.15 px noise;
       marks.txt: marks on the ground and the pose that cv2.solvePnP finds.
"""

import pathlib

import cv2
import numpy as np

HERE = pathlib.Path(__file__).parent
MADE = "# made by make_calibration_vectors.py with opencv-python-headless==5.0.0.93"
TIGHT = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 1000, 1e-14)


def words(values):
    return " ".join(f"{float(v):.10g}" for v in np.asarray(values).ravel())


def read_views(path):
    views = []
    for line in path.read_text().splitlines():
        if line.startswith("#"):
            continue
        parts = line.split()
        if len(parts) == 1:
            views.append([])
        else:
            views[-1].append([float(p) for p in parts])
    return [np.array(v) for v in views]


def opencv_corners():
    """OpenCV's own corners of the left pictures with an 11 pixel window, as in its
    calibration sample; left_intrinsics.yml of the same package was made so."""
    data = pathlib.Path("/usr/share/doc/opencv-doc/examples/data")
    lines = ["# cv2.findChessboardCorners and cv2.cornerSubPix, window 11, on left01..14.jpg", MADE]
    for n in [*range(1, 10), *range(11, 15)]:
        name = f"left{n:02}.jpg"
        picture = cv2.imread(str(data / name), cv2.IMREAD_GRAYSCALE)
        found, corners = cv2.findChessboardCorners(picture, (9, 6))
        assert found, name
        stop = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 30, 0.1)
        corners = cv2.cornerSubPix(picture, corners, (11, 11), (-1, -1), stop)
        lines.append(name)
        for k, (u, v) in enumerate(corners.reshape(-1, 2)):
            lines.append(f"{k % 9} {k // 9} {u:.4f} {v:.4f}")
    (HERE / "corners_left_11px.txt").write_text("\n".join(lines) + "\n")


def calibrate(name):
    views = read_views(HERE / f"corners_{name}.txt")
    objects = [np.c_[v[:, :2] * 0.025, np.zeros(len(v))].astype(np.float32) for v in views]
    pixels = [v[:, 2:].astype(np.float32) for v in views]
    rms, k, d, *_ = cv2.calibrateCamera(objects, pixels, (640, 480), None, None, criteria=TIGHT)
    print(name, rms, k.tolist(), d.tolist())
    return f"{name} {words([rms, k[0, 0], k[1, 1], k[0, 2], k[1, 2], *d.ravel()[:5]])}"


def fisheye(rng):
    k = np.array([[479.2, 0, 635.25], [0, 477.8, 363.5], [0, 0, 1]])
    d = np.array([0.021, -0.0075, 0.0016, -0.0002])
    grid = np.array([(i, j) for j in range(6) for i in range(9)], float)
    plane = np.c_[grid * 0.025, np.zeros(54)]
    objects, pixels, lines = [], [], [MADE, "# views: column row u v"]
    while len(objects) < 16:
        # A board before the camera, anywhere up to 70 degrees off the axis.
        away = np.radians(rng.uniform(0, 62)) * (0.15 if len(objects) < 2 else 1)
        around = rng.uniform(0, 2 * np.pi)
        centre = rng.uniform(0.14, 0.32) * np.array(
            [np.sin(away) * np.cos(around), np.sin(away) * np.sin(around), np.cos(away)]
        )
        facing, _ = cv2.Rodrigues(np.array([-np.sin(around), np.cos(around), 0]) * away)
        tilt, _ = cv2.Rodrigues(rng.uniform(-0.5, 0.5, 3))
        rotation = facing @ tilt
        shift = centre - rotation @ plane.mean(0)
        seen = plane @ rotation.T + shift
        if (seen[:, 2] < 0.02).any():
            continue
        zero = np.zeros(3)
        p, _ = cv2.fisheye.projectPoints(seen.reshape(-1, 1, 3), zero, zero, k, d)
        p = p.reshape(-1, 2)
        if (p < 2).any() or (p > [1277, 717]).any():
            continue
        p = (p + rng.normal(0, 0.15, p.shape)).round(3)
        objects.append(plane.reshape(1, -1, 3))
        pixels.append(p.reshape(1, -1, 2))
        lines.append(f"view{len(objects):02}")
        lines += [f"{int(i)} {int(j)} {u:.3f} {v:.3f}" for (i, j), (u, v) in zip(grid, p)]
    (HERE / "fisheye_boards.txt").write_text("\n".join(lines) + "\n")
    flags = cv2.CALIB_RECOMPUTE_EXTRINSIC | cv2.CALIB_FIX_SKEW
    start = np.array([[450.0, 0, 640], [0, 450, 360], [0, 0, 1]])
    flags |= cv2.CALIB_USE_INTRINSIC_GUESS
    rms, k, d, *_ = cv2.fisheye.calibrate(
        objects, pixels, (1280, 720), start, np.zeros(4), flags=flags, criteria=TIGHT
    )
    print("fisheye", rms, k.tolist(), d.ravel().tolist())
    return f"fisheye {words([rms, k[0, 0], k[1, 1], k[0, 2], k[1, 2], *d.ravel()])}"


def marks(rng):
    """Marks on the ground seen by a fisheye that looks rearward and down.

    Ground frame: x behind, y toward the vehicle's right, z up. solvePnP works on
    undistorted rays with a unit camera, so the pose it finds minimises the
    distance in the tangent plane; without noise that is the same pose.
    """
    height, pitch, roll, yaw, back, side = 0.93, np.radians(34), np.radians(2.5), np.radians(-4), 0.21, 0.07
    axes = np.array([[0, 0, 1.0], [-1, 0, 0], [0, -1, 0]])

    def turn(axis, angle):
        return cv2.Rodrigues(np.array(axis, float) * angle)[0]

    to_ground = turn([0, 0, 1], yaw) @ axes @ turn([1, 0, 0], -pitch) @ turn([0, 0, 1], roll)
    position = np.array([-back, side, height])
    places = np.array(
        [(0.6, -0.8), (0.6, 0.7), (1.2, -1.1), (1.3, 0.0), (1.2, 1.0), (2.2, -1.3), (2.4, 0.9), (3.5, -0.6), (4.5, 0.8)]
    )
    ground = np.c_[places, np.zeros(len(places))]
    camera = (ground - position) @ to_ground
    lines = [MADE, "# sets of marks: u v behind side; then solvePnP's pose as"]
    lines += ["# pose height_m pitch_deg roll_deg yaw_deg set_back_m side_offset_m"]
    pinhole = np.array([[420.0, 0, 318.0], [0, 421.0, 243.0], [0, 0, 1]])
    bent = np.array([-0.21, 0.04, 0.0006, -0.0004, -0.003])
    for noise in (0.0, 0.8):
        p, _ = cv2.projectPoints(camera.reshape(-1, 1, 3), np.zeros(3), np.zeros(3), pinhole, bent)
        p = (p.reshape(-1, 2) + rng.normal(0, 1, (len(places), 2)) * noise).round(4)
        ok, r, t = cv2.solvePnP(ground, p, pinhole, bent, flags=cv2.SOLVEPNP_ITERATIVE)
        r, t = cv2.solvePnPRefineLM(ground, p, pinhole, bent, r, t, criteria=TIGHT)
        found = cv2.Rodrigues(r)[0].T
        at = -found @ t.ravel()
        axis = found[:, 2]
        pitch_found, yaw_found = np.arcsin(-axis[2]), np.arctan2(axis[1], axis[0])
        level = turn([0, 0, 1], yaw_found) @ axes @ turn([1, 0, 0], -pitch_found)
        rolled = level.T @ found
        roll_found = np.arctan2(rolled[1, 0], rolled[0, 0])
        lines.append(f"marks noise_px={noise}")
        lines += [f"{u:.4f} {v:.4f} {b:g} {s:g}" for (u, v), (b, s) in zip(p, places)]
        angles = np.degrees([pitch_found, roll_found, yaw_found])
        lines.append(f"pose {words([at[2], *angles, -at[0], at[1]])}")
        print(lines[-1])
    (HERE / "marks.txt").write_text("\n".join(lines) + "\n")


def main():
    version = cv2.__version__
    assert version == "5.0.0", f"OpenCV 5.0.0 expected, this is {version}"
    rng = np.random.default_rng(11)
    lines = [MADE, "# name rms_px fx fy cx cy coefficients in OpenCV's order"]
    opencv_corners()
    lines += [calibrate("left"), calibrate("right"), calibrate("left_11px"), fisheye(rng)]
    (HERE / "calibrations.txt").write_text("\n".join(lines) + "\n")
    marks(rng)


if __name__ == "__main__":
    main()
