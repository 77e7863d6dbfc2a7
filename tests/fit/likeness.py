#!/usr/bin/env python3
"""Trains the net of src/segment/likeness.rs on staged scenes whose truth is known.

  pip install jax==0.4.38 numpy
  tests/fit/likeness.py RUN...

RUN are folders that `hindward replay CLIP --out RUN --candidates` wrote: candidates.csv, and
views.i8, the view of each line of it with a margin. How a line is told a thing or ground is
that of tests/fit/standing.py.

What the net sees of one clip is much alike, so it would learn the clips by heart: off by more
than 0.15 in 29 of 100 groups of clips that it had not seen, and in 18 of its own. Against that
views are cut as if the group began a little elsewhere, planes are left out by lot, and weights
are held small.

The net is trained three times on two thirds of the clips, to tell how well it does on the
last third, and what it says of these goes into each run's likeness.csv, from which
standing.py grows trees that have not been told the answers. Then it is trained on all.

Writes src/segment/weights.rs, and tests/reference/likeness.csv for the test that the program
computes the net as JAX does.
"""
import csv
import math
import sys
import tomllib
from pathlib import Path

import jax
import jax.numpy as jnp
import numpy as np

from standing import GROUND, PART, THING, read

ROWS, COLUMNS, PLANES = 24, 16, 8
# A view to train on has two rows for each of the net's, and so many more at either end of them
# and of the columns; the height of a view from the foot up, in metres and in such rows.
MORE_ROWS, MORE_COLUMNS = 8, 3
HIGH_M, HIGH_ROWS = 1.2, 32
FIRST, SECOND, HIDDEN = 12, 16, 24
FOLDS, ROUNDS, BATCH, RATE, DECAY = 3, 10, 256, 2e-3, 1e-3
# Share of the planes that are left out of a view, of the views that are cut at the foot, and how
# far beside.
LEFT_OUT, AT_FOOT, BESIDE = 0.2, 0.5, 3
GROUND_SHARE = 0.5
# Weight of the distance, and how sure of it the net may be at most.
SHIFT, SUREST = 0.2, 0.02


def shapes():
    flat = (ROWS // 4) * (COLUMNS // 4) * SECOND
    return {"first": (3, 3, PLANES, FIRST), "first_bias": (FIRST,),
            "second": (3, 3, FIRST, SECOND), "second_bias": (SECOND,),
            "hidden": (flat, HIDDEN), "hidden_bias": (HIDDEN,),
            "last": (HIDDEN, 3), "last_bias": (3,)}


def begin(seed):
    lot = np.random.default_rng(seed)
    net = {}
    for name, shape in shapes().items():
        if name.endswith("bias"):
            net[name] = jnp.zeros(shape)
        else:
            scale = np.sqrt(2 / np.prod(shape[:-1]))
            net[name] = jnp.array(lot.normal(0, scale, shape), jnp.float32)
    return net


def convolve(x, weights, bias):
    x = jax.lax.conv_general_dilated(x, weights, (1, 1), "SAME",
                                     dimension_numbers=("NHWC", "HWIO", "NHWC")) + bias
    n, h, w, c = x.shape
    return jnp.maximum(x, 0).reshape(n, h // 2, 2, w // 2, 2, c).max((2, 4))


def look(net, x):
    """Log-odds that views show what stands, by what its distance is off, and the mean error of
    that."""
    x = convolve(x, net["first"], net["first_bias"])
    x = convolve(x, net["second"], net["second_bias"])
    x = jnp.maximum(x.reshape(len(x), -1) @ net["hidden"] + net["hidden_bias"], 0)
    x = x @ net["last"] + net["last_bias"]
    return jnp.stack([x[:, 0], x[:, 1], SUREST + jnp.exp(x[:, 2])], 1)


def loss(net, x, y, w, shift, known):
    z = look(net, x)
    fit = jnp.sum(w * (jnp.logaddexp(0, z[:, 0]) - y * z[:, 0])) / jnp.maximum(jnp.sum(w), 1)
    # Laplace's distribution: a wrong one now and then must not count for much.
    off = jnp.abs(z[:, 1] - shift) / z[:, 2] + jnp.log(z[:, 2])
    far = jnp.sum(known * off) / jnp.maximum(jnp.sum(known), 1)
    size = sum(jnp.sum(v * v) for k, v in net.items() if not k.endswith("bias"))
    return fit + SHIFT * far + DECAY * size


@jax.jit
def step(net, m, v, t, rate, *batch):
    g = jax.grad(loss)(net, *batch)
    m = jax.tree.map(lambda a, b: 0.9 * a + 0.1 * b, m, g)
    v = jax.tree.map(lambda a, b: 0.999 * a + 0.001 * b * b, v, g)
    move = lambda p, a, b: p - rate * (a / (1 - 0.9 ** t)) / (jnp.sqrt(b / (1 - 0.999 ** t)) + 1e-8)
    return jax.tree.map(move, net, m, v), m, v


say = jax.jit(look)


def cut(views, down, aside=0):
    """The net's views of those to train on, each so many half rows beside its middle, and all
    so many columns."""
    rows = MORE_ROWS + down[:, None] + np.arange(2 * ROWS)
    columns = slice(MORE_COLUMNS + aside, MORE_COLUMNS + aside + COLUMNS)
    found = views[np.arange(len(views))[:, None], rows, columns].astype(np.float32)
    return (found[:, ::2] + found[:, 1::2]) / 254


def rows_to(shift, place):
    """Half rows that a foot lies beside a group's own."""
    foot, step, far = place.T
    down = np.rint((np.arctan(np.exp(-far - shift)) - foot) / step)
    return down.clip(-MORE_ROWS, MORE_ROWS).astype(int)


def shift_of(down, place):
    """Shift of what lies so many half rows beside a group's own foot."""
    foot, step, far = place.T
    return -far - np.log(np.tan((foot + down * step).clip(0.02, 1.5)))


def places(run):
    """Of each candidate its depression under the horizon, that of half a row of its view, and
    the logarithm of its distance in heights of the camera."""
    mount = tomllib.loads((run / "profile.toml").read_text())["mount"]
    high, back, aside = (mount[k] for k in ("height_m", "set_back_m", "side_offset_m"))
    with open(run / "candidates.csv") as file:
        far = np.array([math.hypot(float(r["middle_behind_m"]) + back,
                                   float(r["middle_side_m"]) - aside)
                        for r in csv.DictReader(file)]).clip(0.05)
    foot = np.arctan2(high, far)
    step = (foot - np.arctan2(high - HIGH_M, far)) / HIGH_ROWS
    return np.stack([foot, step, np.log(far / high)], 1).astype(np.float32).reshape(-1, 3)


def train(x, on, targets, place, seed):
    lot = np.random.default_rng(seed)
    net = begin(seed)
    m = jax.tree.map(jnp.zeros_like, net)
    v = jax.tree.map(jnp.zeros_like, net)
    told, weight, shift, known = targets
    steps = ROUNDS * (len(on) // BATCH)
    t = 0
    for _ in range(ROUNDS):
        order = lot.permutation(on)
        for i in range(len(on) // BATCH):
            k = np.sort(order[i * BATCH:(i + 1) * BATCH])
            t += 1
            # As the groups begin, or as they would if that were right, and a little beside.
            at_foot = (lot.random(BATCH) < AT_FOOT) * known[k].astype(int)
            down = at_foot * rows_to(shift[k], place[k]) + lot.integers(-BESIDE, BESIDE + 1, BATCH)
            down = down.clip(-MORE_ROWS, MORE_ROWS)
            view = cut(x[k], down, lot.integers(-MORE_COLUMNS, MORE_COLUMNS + 1))
            moved = shift[k] - shift_of(down, place[k])
            # What stands to the left looks as it does to the right.
            if lot.random() < 0.5:
                view = view[:, :, ::-1]
            # No light is like another.
            view[..., :3] *= lot.uniform(0.6, 1.3, (BATCH, 1, 1, 3)).astype(np.float32)
            # Nor may all hang on one plane.
            view = view * (lot.random((BATCH, 1, 1, PLANES)) >= LEFT_OUT).astype(np.float32)
            rate = RATE * 0.5 * (1 + np.cos(np.pi * t / steps))
            net, m, v = step(net, m, v, float(t), rate, view, told[k], weight[k],
                             moved.astype(np.float32), known[k])
    return net


def said(net, x, place):
    """What the net says of groups: it looks again where it saw the foot."""
    out = []
    for i in range(0, len(x), 2048):
        views, at = x[i:i + 2048], place[i:i + 2048]
        first = np.asarray(say(net, cut(views, np.zeros(len(views), int))))
        down = rows_to(first[:, 1], at)
        again = np.asarray(say(net, cut(views, down)))
        out.append(np.stack([(first[:, 0] + again[:, 0]) / 2, again[:, 1] + shift_of(down, at),
                             again[:, 2]], 1))
    return np.concatenate(out)


def measure(y, z):
    """Area under the curve, and log loss."""
    rank = np.empty(len(z))
    rank[np.argsort(z)] = np.arange(len(z))
    n = y.sum()
    area = (rank[y == 1].sum() - n * (n - 1) / 2) / (n * (len(y) - n))
    return area, np.mean(np.logaddexp(0, z) - y * z)


def write(net, x):
    root = Path(__file__).resolve().parents[2]
    out = ["//! Weights of [`super::likeness`], as `tests/fit/likeness.py` trained them; not to be",
           "//! written by hand.", ""]
    for name, shape in shapes().items():
        values = np.asarray(net[name]).reshape(-1)
        number = lambda v: np.format_float_positional(np.float32(v), precision=5, trim="0")
        out += ["#[rustfmt::skip]", "#[allow(clippy::approx_constant, clippy::excessive_precision)]",
                f"pub(super) static {name.upper()}: [f32; {len(values)}] = ["]
        out += ["    " + ", ".join(number(v) for v in values[i:i + 12]) + ","
                for i in range(0, len(values), 12)]
        out += ["];", ""]
    (root / "src/segment/weights.rs").write_text("\n".join(out))
    sample = np.random.default_rng(1).choice(len(x), 12, replace=False)
    with open(root / "tests/reference/likeness.csv", "w") as file:
        file.write("odds, shift, doubt, then the view in 1/254\n")
        views = np.rint(254 * cut(x[sample], np.zeros(len(sample), int))).astype(int)
        for view, z in zip(views, np.asarray(say(net, views / 254))):
            file.write(",".join(f"{v:.4f}" for v in z) + "," + ",".join(str(v) for v in view.reshape(-1)) + "\n")


def main():
    runs = [Path(a) for a in sys.argv[1:]]
    if not runs:
        sys.exit(__doc__)
    views, labels, shifts, place, clip, clips, spans = [], [], [], [], [], {}, []
    for run in runs:
        source, _, _, found, shift = read(run)
        view = np.fromfile(run / "views.i8", np.int8).reshape(
            -1, 2 * (ROWS + MORE_ROWS), COLUMNS + 2 * MORE_COLUMNS, PLANES)
        if len(view) != len(found):
            sys.exit(f"{run}: {len(view)} views of {len(found)} candidates; replay it again")
        spans.append((len(labels), len(view)))
        views.append(view)
        place.append(places(run))
        labels += found
        shifts += [math.nan if v is None else v for v in shift]
        clip += [clips.setdefault(source, len(clips))] * len(view)
    x, label, clip = np.concatenate(views), np.array(labels), np.array(clip)
    place = np.concatenate(place)
    shift = np.array(shifts, np.float32)
    lot = np.random.default_rng(0)
    # Ground is so common that a share of it is enough.
    ground = label == GROUND
    weight = np.where(ground, 1 / GROUND_SHARE, np.where(label == THING, 1, 0)).astype(np.float32)
    used = ~ground | (lot.random(len(label)) < GROUND_SHARE)
    known = np.isfinite(shift)
    used &= known | (label != PART)
    targets = ((label == THING).astype(np.float32), weight, np.nan_to_num(shift),
               known.astype(np.float32))
    fold = lot.permutation(len(clips))[clip] % FOLDS
    print(f"{len(clips)} clips, {len(x)} views, {used.sum()} of them used, "
          f"{known.sum()} shifts known", flush=True)
    z = np.zeros((len(x), 3))
    for k in range(FOLDS):
        net = train(x, np.flatnonzero(used & (fold != k)), targets, place, k)
        z[fold == k] = said(net, x[fold == k], place[fold == k])
        told, off = (fold == k) & (label != PART), (fold == k) & known
        area, fit = measure(targets[0][told], z[told, 0])
        before, after = np.abs(shift[off]), np.abs(shift[off] - z[off, 1])
        print(f"on clips not trained on: area under the curve {area:.4f}, log loss {fit:.4f}; "
              f"distance off in the middle {np.median(before):.3f} -> {np.median(after):.3f}, "
              f"beyond 0.15 {np.mean(before > 0.15):.3f} -> {np.mean(after > 0.15):.3f}",
              flush=True)
    for run, (at, n) in zip(runs, spans):
        np.savetxt(run / "likeness.csv", z[at:at + n], fmt="%.4f", delimiter=",")
    write(train(x, np.flatnonzero(used), targets, place, FOLDS), x)


if __name__ == "__main__":
    main()
