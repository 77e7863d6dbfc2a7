#!/usr/bin/env python3
"""Turns a camera given in Tsai's model into a profile's [lens] and [mount].

    python3 -m venv /tmp/ref && /tmp/ref/bin/pip install numpy==2.4.6
    /tmp/ref/bin/python tests/reference/tsai_to_profile.py --size 768x576 \\
        --f-mm F --kappa1 K --centre-px CX CY --sx SX --pitch-mm DPX DPY \\
        --t-mm TX TY TZ --r-rad RX RY RZ [--scale S] [--points FILE]

Without any value it converts a camera of its own invention and rewrites
tsai.txt, which tests/optics.rs holds our geometry against.

Prints the two sections. --points writes ground points and the pixels at which the
model itself (not the conversion) puts them, `behind_m side_m u v`; the test reads
that file instead of tsai.txt if HINDWARD_TSAI_POINTS names it.

Tsai's model (R. Y. Tsai, "A versatile camera calibration technique for
high-accuracy 3D machine vision metrology using off-the-shelf TV cameras and
lenses", IEEE J. Robotics and Automation 3(4), 1987, doi:10.1109/JRA.1987.1087109):

    (x, y, z) = R w + T,  R = Rz(rz) Ry(ry) Rx(rx)      world w in mm, third axis up
    Xu = f x / z,  Yu = f y / z                         on the sensor, mm
    Xu = Xd (1 + kappa1 (Xd^2 + Yd^2)),  Yu likewise    distorted -> undistorted
    u = sx Xd / dpx + cx,  v = Yd / dpy + cy            pixels

Lens. Divided by f, with k = kappa1 f^2:  xu = xd (1 + k rd^2).  Our brown-conrady
model goes the other way, xd = xu (1 + k1 ru^2 + k2 ru^4 + k3 ru^6), so the cubic is
inverted on radii over the whole picture (Newton) and k1, k2, k3 follow by linear
least squares on them. Near the centre they tend to the inverse series -k, 3 k^2,
-12 k^3. fx = sx f / dpx, fy = f / dpy.

Mount. The camera stands at C = -R' T; its height is C_up. The optical axis points
along d = R' (0, 0, 1). Our ground frame has its origin at the camera's foot,
`behind` along the level part of d, `up` as the world's, and `side` = up x behind (so
behind x side = up). With G the matrix of these three rows, a camera ray r points
along G R' r; by the choice of `behind` the yaw is 0, and what is left,

    G R' = A Rx(-pitch) Rz(roll),  A = [[0,0,1],[-1,0,0],[0,-1,0]]  (src/optics/mount.rs)

gives sin(pitch) = -d_up and, from the third row -(sin roll, cos roll) cos(pitch),
the roll. --scale S makes the world S times as large: heights and distances scale,
pixels do not. A camera that stands higher than a profile allows is tried that way.
"""

import argparse
import pathlib

import numpy as np

# Of our own invention: 3.7 m up a wall, a little rolled.
INVENTED = {
    "size": "640x480",
    "f_mm": 3.9,
    "kappa1": 0.009,
    "centre_px": [312.4, 246.1],
    "sx": 1.031,
    "pitch_mm": [0.0057, 0.0056],
    "t_mm": [350.0, 760.0, 9400.0],
    "r_rad": [1.97, -0.61, -0.33],
}


class Tsai:
    def __init__(self, a):
        self.width, self.height = (int(n) for n in a.size.split("x"))
        self.f, self.kappa1, self.sx = a.f_mm, a.kappa1, a.sx
        (self.cx, self.cy), (self.dpx, self.dpy) = a.centre_px, a.pitch_mm
        (cx, cy, cz), (sx, sy, sz) = np.cos(a.r_rad), np.sin(a.r_rad)
        rx = np.array([[1, 0, 0], [0, cx, -sx], [0, sx, cx]])
        ry = np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]])
        rz = np.array([[cz, -sz, 0], [sz, cz, 0], [0, 0, 1]])
        self.r, self.t = rz @ ry @ rx, np.array(a.t_mm)

    def project(self, world_mm):
        """Pixels of world points, one a row; not a number behind the camera."""
        x, y, z = (world_mm @ self.r.T + self.t).T
        z = np.where(z > 0, z, np.nan)
        xu, yu = self.f * x / z, self.f * y / z
        ru = np.hypot(xu, yu)
        rd = undo(ru, self.kappa1)
        shrink = np.where(ru > 0, rd / np.where(ru > 0, ru, 1), 1)
        return np.column_stack(
            [self.sx * xu * shrink / self.dpx + self.cx, yu * shrink / self.dpy + self.cy]
        )


def undo(ru, kappa):
    """The distorted radius rd with rd (1 + kappa rd^2) = ru."""
    rd = np.array(ru, dtype=float)
    for _ in range(50):
        rd = rd - (rd * (1 + kappa * rd**2) - ru) / (1 + 3 * kappa * rd**2)
    return rd


def convert(m, scale):
    # To the picture's farthest corner, and a little on.
    corners = [(u, v) for u in (0, m.width) for v in (0, m.height)]
    reach = max(np.hypot((u - m.cx) * m.dpx / m.sx, (v - m.cy) * m.dpy) for u, v in corners)
    rd = np.linspace(0.02, 1.05, 400) * reach / m.f
    k = m.kappa1 * m.f**2
    ru = rd * (1 + k * rd**2)
    powers = np.column_stack([ru**3, ru**5, ru**7])
    k1, k2, k3 = np.linalg.lstsq(powers, rd - ru, rcond=None)[0]
    lens = {
        "fx_px": m.sx * m.f / m.dpx,
        "fy_px": m.f / m.dpy,
        "cx_px": m.cx,
        "cy_px": m.cy,
        "k1": k1,
        "k2": k2,
        "k3": k3,
    }
    foot = -m.r.T @ m.t
    axis = m.r.T @ [0.0, 0.0, 1.0]
    behind = np.array([axis[0], axis[1], 0.0]) / np.hypot(axis[0], axis[1])
    up = np.array([0.0, 0.0, 1.0])
    frame = np.array([behind, np.cross(up, behind), up])
    turned = frame @ m.r.T
    mount = {
        "height_m": scale * foot[2] / 1000,
        "pitch_deg": np.degrees(np.arcsin(-axis[2])),
        "roll_deg": np.degrees(np.arctan2(-turned[2, 0], -turned[2, 1])),
        "yaw_deg": 0.0,
        "set_back_m": 0.0,
        "side_offset_m": 0.0,
    }
    foot[2] = 0.0
    return lens, mount, frame, foot


def ground_points(m, frame, foot, scale):
    """Ground points over the whole picture, and the model's own pixels of them."""
    axis = np.arange(-30, 45.001, 0.5)
    grid = np.array([(b, s) for b in axis[axis > 0.5] for s in axis[axis <= 30]])
    world = foot + 1000 * (grid @ frame[:2])
    pixels = m.project(world)
    held = np.all((pixels >= 0) & (pixels < [m.width, m.height]), axis=1)
    rows = np.column_stack([grid * scale, pixels])[held]
    return rows[:: max(1, len(rows) // 400)]


def main():
    p = argparse.ArgumentParser(description="Tsai's camera model into a profile's sections.")
    p.add_argument("--size")
    p.add_argument("--f-mm", type=float)
    p.add_argument("--kappa1", type=float, help="1/mm^2")
    p.add_argument("--centre-px", type=float, nargs=2)
    p.add_argument("--sx", type=float)
    p.add_argument("--pitch-mm", type=float, nargs=2, help="sensor spacing dpx dpy")
    p.add_argument("--t-mm", type=float, nargs=3)
    p.add_argument("--r-rad", type=float, nargs=3)
    p.add_argument("--scale", type=float, default=1.0)
    p.add_argument("--points", type=pathlib.Path)
    a = p.parse_args()
    given = {key for key in INVENTED if getattr(a, key) is not None}
    if given and given != set(INVENTED):
        p.error("missing: " + ", ".join(sorted(set(INVENTED) - given)))
    if not given:
        vars(a).update(INVENTED)
        a.points = a.points or pathlib.Path(__file__).parent / "tsai.txt"
    m = Tsai(a)
    lens, mount, frame, foot = convert(m, a.scale)
    sections = ["[lens]", 'model = "brown-conrady"']
    sections += [f"{key} = {value:.10g}" for key, value in lens.items()]
    sections += ["", "[mount]"] + [f"{key} = {value:.10g}" for key, value in mount.items()]
    print("\n".join(sections))
    if a.points:
        head = [
            "# made by tsai_to_profile.py: Tsai's model itself, not the conversion",
            f"size {m.width} {m.height}",
            " ".join(["lens", *(f"{v:.10g}" for v in lens.values())]),
            " ".join(["mount", *(f"{v:.10g}" for v in list(mount.values())[:3])]),
        ]
        rows = ground_points(m, frame, foot, a.scale)
        rows = [" ".join(f"{n:.6f}" for n in row) for row in rows]
        a.points.write_text("\n".join(head + rows) + "\n")


if __name__ == "__main__":
    main()
