#!/usr/bin/env python3
r"""Trains the net of src/segment/footline.rs on staged scenes whose truth is known.

  for more in "101 184 92" "303 30 15" "404 200 100" "707 110 90 --around" "505 160 90 --steady" \
      "1414 110 50 --steady --around --half" "1515 110 50 --steady --half" "1616 0 50 --steady --around --half" \
      "1818 30 45 --borders" "1919 0 25 --steady --half --borders" "2020 130 30 --steady --half --grey" \
      "2121 70 30 --grey" "2323 20 50 --steady --half --dark" \
      "3001 260 140 --steady --half --small" "3003 200 100 --small" "3005 150 0 --steady --half --grey --small" \
      "3007 120 90 --steady --half --around --small" "3009 100 60 --around --small" \
      "3011 90 80 --steady --half --borders --small" "3013 100 60 --steady --half --dark --small" \
      "3101 300 150 --steady --half --small" "3103 350 100 --small" "3105 150 90 --steady --half --around --small" \
      "3107 110 0 --steady --half --grey --small" "3109 100 60 --around --small" \
      "3111 80 70 --steady --half --borders --small" "3113 80 60 --steady --half --dark --small" \
      "3115 200 100 --small" "3117 200 100 --steady --half --small" "3201 200 100 --steady --half --small" \
      "3301 300 120 --brief --small" "3303 150 100 --brief --small --around" "3305 150 0 --brief --small --grey" \
      "3307 60 60 --brief --small --borders" "3309 60 40 --brief --small --dark" "3311 350 0 --brief --small --open" \
      "3313 500 200 --brief --small" "3315 150 100 --brief --small --around" "3317 500 200 --brief --small" \
      "3319 150 0 --brief --small --grey" "3321 350 0 --brief --small --open"; do
      tests/fit/scenes.py $more >/tmp/scenes.toml
      hindward stage /tmp/scenes.toml --footline --out "/tmp/train/${more%% *}"
  done
  for more in mixed thin; do
      hindward stage demo/$more.toml --footline --out "/tmp/train/$more"
  done
  for clip in /tmp/train/*/*/ /tmp/train/*/held-back/*/; do
      [ -f "$clip/clip.toml" ] && hindward replay "$clip" --out "$clip/run" --candidates
  done
  pip install jax==0.4.38 numpy
  tests/fit/footline.py [--rounds N] [--on] RUN...

RUN are folders that `hindward replay CLIP --out RUN --candidates` wrote: footline.i8, what the net
sees of every other picture. The truth is the clip's footline.csv.

A tenth of the clips is kept aside to tell how well the net does, in steps of the training. What is
told of one picture changes what the cues make of the next: replay with the net that there is, so
that a new one sees what that leads to (S. Ross, G. Gordon, D. Bagnell, AISTATS 2011).

Writes src/segment/footline_weights.rs, and tests/reference/footline.csv for the test that the
program computes the net as JAX does.
"""
import argparse
import csv
import json
import os
import re
import time
import tomllib
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path

CORES = 2
os.environ["XLA_FLAGS"] = (f"--xla_force_host_platform_device_count={CORES} "
                           "--xla_cpu_multi_thread_eigen=false")

import jax
import jax.numpy as jnp
import numpy as np

# The grid, as src/segment/footline.rs has it.
ROWS, COLUMNS, CUT = 72, 96, 8
DEPRESSION0, DEPRESSION_STEP = -0.25, 0.0225
SINE0, SINE_STEP = -0.96, 0.02
LEVEL = 0.02
APPEARANCE, SEEN = 3, 6
DEPRESSION = DEPRESSION0 + DEPRESSION_STEP * (np.arange(ROWS) + 0.5)
SINE = SINE0 + SINE_STEP * (np.arange(COLUMNS) + 0.5)
A, B, C, D = 12, 16, 24, 32
BATCH, FEW, RATE, DECAY = 24, 4, 2e-3, 1e-4
# Weight of the top against the foot, and how far the truth of each is spread, rows.
TOP, FOOT_SPREAD, TOP_SPREAD = 0.3, 0.8, 1.0
# A foot is known up to this distance, and there is none beyond that one, metres.
KNOWN_M, NONE_M = 10.0, 14.0
# Share of the planes that are left out of a picture, and how far a picture is moved, rows and
# columns.
LEFT_OUT, MOVED = 0.1, (1, 8)
# Share of pictures whose lower part is out of sight, and of those of a lens that sees less.
CUT_OFF, NARROW = 0.1, 0.1
# Shares of pictures that stay as they are, have columns of another, or have another ground from
# somewhere on, and how far that is shifted: luma, colours, appearance, height, and contrast.
SHARE_MIXED = (0.5, 0.35, 0.15)
SHIFTED = np.array([0.3, 0.2, 0.2, 0.4, 0.1, 0, 0, 0.1], np.float32)
# In half of these it has a colour that the ground before it has not: so much by appearance.
FOREIGN = (0.3, 1.5)


def shapes():
    return {"c1": (3, 3, CUT + 2, A), "c2": (3, 3, A, B), "c3": (3, 3, B, C), "c4": (3, 3, C, C),
            "c5": (3, 3, C, D), "c6": (3, 3, D, D), "c9": (3, 3, D, D), "c10": (3, 3, D, D),
            "u1": (1, 1, D, C), "c7": (3, 3, C, C), "c11": (3, 3, C, C), "u2": (1, 1, C, B),
            "c8": (3, 3, B, B), "h": (1, 1, B, 8), "n": (1, 1, 2 * B, 2)}


def begin(seed):
    lot = np.random.default_rng(seed)
    net = {}
    for name, shape in shapes().items():
        gain = 0.3 if name in "hn" else 1
        scale = gain * np.sqrt(2 / np.prod(shape[:-1]))
        net[name] = jnp.array(lot.normal(0, scale, shape), jnp.float32)
        # At first nothing is likely.
        net[name + "b"] = jnp.full(shape[-1], 4.0 if name == "n" else 0.0)
    return net


def convolve(net, name, x, stride=1):
    """Windows of 3 x 3 (or 1 x 1) as products of matrices: JAX's own convolution of so few planes
    takes eight times as long on a processor."""
    weights = net[name]
    size, _, planes, told = weights.shape
    if size == 1:
        return x @ weights[0, 0] + net[name + "b"]
    around = (1, 1) if stride == 1 else (0, 1)
    n, rows, columns, _ = x.shape
    x = jnp.pad(x, ((0, 0), around, around, (0, 0)))
    beside = jnp.concatenate([x[:, :, i:i + columns:stride] for i in range(size)], -1)
    return net[name + "b"] + sum(beside[:, i:i + rows:stride] @ weights[i].reshape(-1, told)
                                 for i in range(size))


def twice(x):
    n, h, w, c = x.shape
    return jnp.broadcast_to(x[:, :, None, :, None, :], (n, h, 2, w, 2, c)).reshape(
        n, 2 * h, 2 * w, c)


def look(net, x):
    """Log-odds of where the foot is, by row, and of nothing, by column; and those of the top."""
    positive = jax.nn.relu
    a = positive(convolve(net, "c1", x, 2))
    b = positive(convolve(net, "c2", a))
    c = positive(convolve(net, "c3", b, 2))
    d = positive(convolve(net, "c4", c))
    e = positive(convolve(net, "c5", d, 2))
    f = positive(convolve(net, "c6", e))
    f = positive(convolve(net, "c9", f))
    f = positive(convolve(net, "c10", f))
    g = positive(d + twice(convolve(net, "u1", f)))
    g = positive(convolve(net, "c7", g))
    g = positive(convolve(net, "c11", g))
    i = positive(b + twice(convolve(net, "u2", g)))
    i = positive(convolve(net, "c8", i))
    h = convolve(net, "h", i)
    n, rows, columns, _ = h.shape
    h = h.reshape(n, rows, columns, 2, 2, 2).transpose(3, 0, 1, 4, 2, 5)
    h = h.reshape(2, n, 2 * rows, 2 * columns)
    pool = jnp.concatenate([i.max(1), i.mean(1)], -1)[:, None]
    nothing = convolve(net, "n", pool).reshape(n, 1, 2 * columns)
    return jnp.concatenate([h[0], nothing], 1), h[1]


def off(net, x, foot, told, top, there):
    odds, tops = (jax.nn.log_softmax(z, 1) for z in look(net, x))
    of = -(foot * odds).sum(1) - TOP * there * (top * tops).sum(1)
    return (of * told).sum()


@partial(jax.pmap, in_axes=(None,) + 5 * (0,))
def slopes(net, *pictures):
    """By a core's share of a batch, a few pictures at a time: more do not fit its cache."""
    def add(sums, few):
        return jax.tree.map(jnp.add, sums, jax.value_and_grad(off)(net, *few)), None
    few = [v.reshape(-1, FEW, *v.shape[1:]) for v in pictures]
    return jax.lax.scan(add, (jnp.zeros(()), jax.tree.map(jnp.zeros_like, net)), few)[0]


@jax.value_and_grad
def size(net):
    return DECAY * sum(jnp.sum(v * v) for k, v in net.items() if not k.endswith("b"))


@jax.jit
def move(net, m, v, t, rate, told, value, g):
    told = jnp.maximum(told, 1)
    held, back = size(net)
    g = jax.tree.map(lambda a, b: a.sum(0) / told + b, g, back)
    m = jax.tree.map(lambda a, b: 0.9 * a + 0.1 * b, m, g)
    v = jax.tree.map(lambda a, b: 0.999 * a + 0.001 * b * b, v, g)
    by = lambda p, a, b: p - rate * (a / (1 - 0.9 ** t)) / (jnp.sqrt(b / (1 - 0.999 ** t)) + 1e-8)
    return jax.tree.map(by, net, m, v), m, v, value.sum() / told + held


def step(net, m, v, t, rate, *batch):
    shares = (v.reshape(CORES, -1, *v.shape[1:]) for v in batch)
    return move(net, m, v, t, rate, batch[2].sum(), *jax.device_get(slopes(net, *shares)))


say = jax.jit(look)


def row_of(depression):
    return (depression - DEPRESSION0) / DEPRESSION_STEP - 0.5


def planes(cut, height):
    """What the net sees: the planes as cut, the ground's distance by row, the sine of azimuth."""
    far = np.log((height[:, None] / np.tan(np.maximum(DEPRESSION, LEVEL))).clip(0.1, 50)) / 3
    shape = cut.shape[:3] + (1,)
    return np.concatenate([cut.astype(np.float32) / 127,
                           np.broadcast_to(far[:, :, None, None], shape),
                           np.broadcast_to(SINE[None, None, :, None], shape)], -1).astype(np.float32)


def spread(row, by, of):
    p = np.exp(-0.5 * ((np.arange(ROWS)[None, :, None] - row[:, None, :]) / by) ** 2)
    return p / np.maximum(p.sum(1, keepdims=True), 1e-9) * of[:, None, :]


def widened(distance, top):
    """What stands counts as standing in the free directions next to it as well: the cues do not
    show to a direction where a slender thing is, and that it stands matters more."""
    far = np.where((distance == 0) | (distance > NONE_M), np.inf, distance)
    far, high = (np.pad(v, ((0, 0), (1, 1)), constant_values=np.inf) for v in (far, top))
    left = far[:, :-2] <= far[:, 2:]
    near = np.where(left, far[:, :-2], far[:, 2:])
    free = np.isinf(far[:, 1:-1]) & np.isfinite(near)
    return (np.where(free, near, distance),
            np.where(free, np.where(left, high[:, :-2], high[:, 2:]), top))


def truth(cut, height, distance, top):
    """By row and column where the foot is, nothing at the end; where that is known; by row and
    column where the top is, and in which columns."""
    distance, top = widened(distance, top)
    nothing = (distance == 0) | (distance > NONE_M)
    row = row_of(np.arctan2(height[:, None], np.where(distance > 0, distance, 1)))
    at = np.clip(np.rint(row), 0, ROWS - 1).astype(int)
    seen = cut[..., SEEN] > 60
    told = np.where(nothing, seen.sum(1) > 8,
                    (distance < KNOWN_M) & np.take_along_axis(seen, at[:, None, :], 1)[:, 0])
    foot = np.concatenate([spread(row, FOOT_SPREAD, ~nothing), nothing[:, None, :]], 1)
    highest = np.minimum(np.clip(row_of(top), 0, ROWS - 1), row)
    return [v.astype(np.float32) for v in (foot, told, spread(highest, TOP_SPREAD, ~nothing),
                                           ~nothing)]


def moved(values, by, axis):
    """The same, moved along an axis; what comes in is nothing."""
    out = np.roll(values, by, axis)
    inside = [slice(None)] * values.ndim
    inside[axis] = slice(0, by) if by >= 0 else slice(by, None)
    if by:
        out[tuple(inside)] = 0
    return out


def mixed(lot, x, y, height):
    """Of some pictures a part from another one, of a camera about as high: a range of columns, or
    what is behind a border across the path, as if another ground began there."""
    by_height = np.argsort(height)
    other = np.roll(by_height, lot.integers(1, 4))
    whole, was = x.copy(), [v.copy() for v in y]
    for i, j, kind in zip(by_height, other, lot.choice(3, len(x), p=SHARE_MIXED)):
        if kind == 1:
            columns = slice(*np.sort(lot.integers(0, COLUMNS + 1, 2)))
            x[i][:, columns] = whole[j][:, columns]
            for v, from_it in zip(y, was):
                v[i][..., columns] = from_it[j][..., columns]
        elif kind == 2:
            far = lot.uniform(0.5, 6) / np.cos(np.arcsin(SINE) - lot.uniform(-0.4, 0.4))
            edge = row_of(np.arctan2(height[i], far))
            # What stands before the border hides it, and what would stand on it has no foot.
            feet = np.maximum(was[0][i], was[0][j])[:ROWS] > 0.01
            free = (feet * np.arange(ROWS)[:, None]).max(0) < edge - 2
            behind = (np.arange(ROWS)[:, None] < edge) & free
            x[i][behind] = whole[j][behind]
            # Another ground may be of any brightness, and is told as one by its colour.
            shift = lot.uniform(-1, 1, CUT).astype(np.float32) * SHIFTED
            if lot.random() < 0.5:
                shift[APPEARANCE] = lot.uniform(*FOREIGN)
            behind &= x[i][..., SEEN] > 0.4
            x[i][behind, :CUT] = (x[i][behind, :CUT] + shift).clip(-1, 1)
            known = y[1][i] * y[1][j]
            for v, from_it in zip(y, was):
                v[i][..., free] = from_it[j][..., free]
            y[1][i][free] = known[free]


def batch_of(lot, data, k):
    """Some pictures with their truth, each a little otherwise than it was."""
    y = truth(*(data[name][k] for name in ("cut", "height", "distance", "top")))
    # A mount is not quite what its profile says; things stand anywhere.
    down, aside = (lot.integers(-far, far + 1) for far in MOVED)
    x = planes(moved(moved(data["cut"][k], down, 1), aside, 2), data["height"][k])
    foot, told, top, there = (moved(v, aside, v.ndim - 1) for v in y)
    foot[:, :ROWS], top = moved(foot[:, :ROWS], down, 1), moved(top, down, 1)
    # Where a foot was moved out, nothing is known.
    told = told * (foot.sum(1) > 0.5)
    y = [foot, told, top, there]
    mixed(lot, x, y, data["height"][k])
    # The picture's lower edge is anywhere; a foot below it is not known.
    for i in np.flatnonzero(lot.random(len(k)) < CUT_OFF):
        row = lot.integers(ROWS // 3, ROWS)
        x[i, row:, :, :CUT] = 0
        y[1][i] *= y[0][i, row - 1:ROWS].sum(0) < 0.05
    for i in np.flatnonzero(lot.random(len(k)) < NARROW):
        first = lot.integers(0, COLUMNS * 2 // 3)
        last = first + lot.integers(COLUMNS // 4, COLUMNS)
        for beside in slice(0, first), slice(last, None):
            x[i, :, beside, :CUT] = 0
            y[1][i, beside] = 0
        row = lot.integers(0, ROWS // 3)
        x[i, :row, :, :CUT] = 0
        y[1][i] *= y[0][i, :row + 1].sum(0) < 0.05
    # What stands to the left looks as it does to the right.
    if lot.random() < 0.5:
        x = x[:, :, ::-1].copy()
        x[..., -1] *= -1
        y = [np.ascontiguousarray(v[..., ::-1]) for v in y]
    # No light is like another.
    some = lambda low, high, n: lot.uniform(low, high, (len(k), 1, 1, n)).astype(np.float32)
    x[..., :1] = (x[..., :1] * some(0.6, 1.3, 1) + some(-0.15, 0.15, 1)) * x[..., SEEN, None]
    x[..., 1:3] *= some(0.4, 1.4, 1)
    # Nor may all hang on one plane.
    keep = lot.random((len(k), 1, 1, CUT)) >= LEFT_OUT
    keep[..., SEEN] = True
    x[..., :CUT] *= keep
    return x, *y


def read(run):
    clip = Path(json.loads((run / "summary.json").read_text())["clip"])
    height = tomllib.loads((run / "profile.toml").read_text())["mount"]["height_m"]
    raw = np.fromfile(run / "footline.i8", np.int8).reshape(-1, 4 + ROWS * COLUMNS * CUT)
    frames = raw[:, :4].copy().view(np.uint32)[:, 0]
    at = {frame: i for i, frame in enumerate(frames)}
    distance = np.zeros((len(raw), COLUMNS), np.float32)
    top = np.zeros((len(raw), COLUMNS), np.float32)
    with open(clip / "footline.csv") as file:
        for r in csv.DictReader(file):
            i = at.get(int(r["frame"]))
            if i is not None:
                distance[i, int(r["direction"])] = r["distance_m"]
                top[i, int(r["direction"])] = r["top_rad"]
    return {"cut": raw[:, 4:].reshape(-1, ROWS, COLUMNS, CUT), "distance": distance, "top": top,
            "height": np.full(len(raw), height, np.float32)}


def measure(net, data, k):
    """Columns with a foot within 4 m that are told as nothing, and those with nothing that are told
    as having one; of the others, how many feet are off by more than 0.15 (logarithm)."""
    missed, alarms, off = [], [], []
    for i in range(0, len(k), 64):
        part = k[i:i + 64]
        cut, height, distance = (data[n][part] for n in ("cut", "height", "distance"))
        odds, _ = say(net, planes(cut, height))
        p = np.asarray(jax.nn.softmax(odds, 1))
        foot, told, _, there = truth(cut, height, distance, data["top"][part])
        nothing = p[:, ROWS]
        thing = (there > 0) & (told > 0) & (distance > 0) & (distance < 4)
        missed.append(nothing[thing] > 0.5)
        alarms.append(nothing[(there == 0) & (told > 0)] < 0.5)
        from_near = np.cumsum(p[:, ROWS - 1::-1], 1)
        row = ROWS - 1 - (from_near >= 0.5 * from_near[:, -1:]).argmax(1)
        found = height[:, None] / np.tan(np.maximum(DEPRESSION[row], LEVEL))
        off.append(np.abs(np.log(found / np.where(distance > 0, distance, 1)))[thing] > 0.15)
    return tuple(np.concatenate(v).mean() for v in (missed, alarms, off))


def train(data, on, off, rounds, fastest, net, seed):
    lot = np.random.default_rng(seed)
    m = jax.tree.map(jnp.zeros_like, net)
    v = m
    steps = rounds * (len(on) // BATCH)
    chosen = (np.sort(order[i * BATCH:(i + 1) * BATCH])
              for order in (lot.permutation(on) for _ in range(rounds))
              for i in range(len(on) // BATCH))
    started, values = time.time(), []
    # The next batch is made while the net learns from this one.
    with ThreadPoolExecutor(1) as pool:
        ahead = pool.submit(batch_of, lot, data, next(chosen))
        for t in range(1, steps + 1):
            batch, k = ahead.result(), next(chosen, None)
            if k is not None:
                ahead = pool.submit(batch_of, lot, data, k)
            rate = fastest * 0.5 * (1 + np.cos(np.pi * t / steps))
            net, m, v, value = step(net, m, v, float(t), rate, *batch)
            values.append(float(value))
            if t % (steps // (2 * rounds)) == 0 or t == steps:
                told = "%.3f of feet missed, %.4f of nothing told, %.3f off" % measure(net, data, off)
                print(f"{t}/{steps}, {time.time() - started:.0f} s: loss {np.mean(values):.4f}; "
                      f"of clips kept aside {told}", flush=True)
                values = []
    return net


ROOT = Path(__file__).resolve().parents[2]
WEIGHTS = ROOT / "src/segment/footline_weights.rs"


def there_is():
    """The net that there is."""
    text = WEIGHTS.read_text()
    net = {}
    for name, shape in shapes().items():
        for name, shape in ((name, shape), (name + "b", shape[-1:])):
            values = re.search(rf"static {name.upper()}: [^=]*= \[([^]]*)", text).group(1)
            values = [float(v) for v in values.split(",") if v.strip()]
            net[name] = jnp.array(values, jnp.float32).reshape(shape)
    return net


def write(net, data):
    out = ["//! Weights of [`super::footline`], as `tests/fit/footline.py` trained them; not to be",
           "//! written by hand.", ""]
    number = lambda v: np.format_float_positional(np.float32(v), precision=4, trim="0")
    for name, weights in net.items():
        values = np.asarray(weights).reshape(-1)
        out += ["#[rustfmt::skip]", "#[allow(clippy::approx_constant, clippy::excessive_precision)]",
                f"pub(super) static {name.upper()}: [f32; {len(values)}] = ["]
        out += ["    " + ", ".join(number(v) for v in values[i:i + 14]) + ","
                for i in range(0, len(values), 14)]
        out += ["];", ""]
    WEIGHTS.write_text("\n".join(out))
    rounded = {k: jnp.array([float(number(x)) for x in np.asarray(v).reshape(-1)],
                            jnp.float32).reshape(v.shape) for k, v in net.items()}
    k = np.random.default_rng(1).choice(len(data["cut"]), 1)
    x = planes(data["cut"][k], data["height"][k])
    odds, tops = (np.asarray(z) for z in say(rounded, x))
    with open(ROOT / "tests/reference/footline.csv", "w") as file:
        file.write("what, and of which column; then by row from the top, for odds nothing last\n")
        for name, values in (("odds", odds[0]), ("tops", tops[0])):
            for c, row in enumerate(values.T):
                file.write(f"{name} {c}," + ",".join(f"{v:.3f}" for v in row) + "\n")
        # The camera's height, metres; then planes of a cell, columns, rows, in 1/127.
        file.write(f"planes,{data['height'][k[0]]}," + ",".join(map(str, data["cut"][k].reshape(-1)))
                   + "\n")


def main():
    given = argparse.ArgumentParser(description=__doc__,
                                    formatter_class=argparse.RawDescriptionHelpFormatter)
    given.add_argument("--rounds", type=int, default=10)
    given.add_argument("--on", action="store_true", help="go on with the net that there is, half as fast")
    given.add_argument("runs", nargs="+", type=Path, metavar="RUN")
    given = given.parse_args()
    parts = [read(run) for run in given.runs]
    clip = np.concatenate([np.full(len(p["cut"]), i) for i, p in enumerate(parts)])
    data = {name: np.concatenate([p[name] for p in parts]) for name in parts[0]}
    del parts
    aside = np.random.default_rng(0).random(len(given.runs)) < 0.1
    on, off = np.flatnonzero(~aside[clip]), np.flatnonzero(aside[clip])
    print(f"{len(given.runs)} clips, {len(on)} pictures to train on, {len(off)} kept aside",
          flush=True)
    net, rate = (there_is(), RATE / 2) if given.on else (begin(0), RATE)
    write(train(data, on, off, given.rounds, rate, net, int(given.on)), data)


if __name__ == "__main__":
    main()
