#!/usr/bin/env python3
"""Trains the net of src/segment/likeness.rs on staged scenes whose truth is known.

  pip install jax==0.4.38 numpy
  tests/fit/likeness.py RUN...

RUN are folders that `hindward replay CLIP --out RUN --candidates` wrote: candidates.csv, and
views.i8, the view of each line of it. How a line is told a thing or ground is that of
tests/fit/standing.py.

The net is trained three times on two thirds of the clips, to tell how well it does on the
last third, and what it says of these goes into each run's likeness.csv, from which
standing.py grows trees that have not been told the answers. Then it is trained on all.

Writes src/segment/weights.rs, and tests/reference/likeness.csv for the test that the program
computes the net as JAX does.
"""
import math
import sys
from pathlib import Path

import jax
import jax.numpy as jnp
import numpy as np

from standing import GROUND, PART, THING, read

ROWS, COLUMNS, PLANES = 24, 16, 8
FIRST, SECOND, HIDDEN = 12, 16, 24
FOLDS, ROUNDS, BATCH, RATE, DECAY = 3, 8, 256, 2e-3, 1e-4
GROUND_SHARE = 0.5
# Weight of the distance, and how sure of it the net may be at most.
SHIFT, SUREST = 0.1, 0.02


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


def train(x, targets, seed):
    lot = np.random.default_rng(seed)
    net = begin(seed)
    m = jax.tree.map(jnp.zeros_like, net)
    v = jax.tree.map(jnp.zeros_like, net)
    steps = ROUNDS * (len(x) // BATCH)
    t = 0
    for _ in range(ROUNDS):
        order = lot.permutation(len(x))
        for i in range(len(x) // BATCH):
            k = np.sort(order[i * BATCH:(i + 1) * BATCH])
            t += 1
            view = x[k].astype(np.float32) / 127
            # What stands to the left looks as it does to the right.
            if lot.random() < 0.5:
                view = view[:, :, ::-1]
            # No light is like another.
            view[..., :3] *= lot.uniform(0.6, 1.3, (BATCH, 1, 1, 3)).astype(np.float32)
            rate = RATE * 0.5 * (1 + np.cos(np.pi * t / steps))
            net, m, v = step(net, m, v, float(t), rate, view, *(a[k] for a in targets))
    return net


def said(net, x):
    out = [np.asarray(say(net, x[i:i + 2048].astype(np.float32) / 127))
           for i in range(0, len(x), 2048)]
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
        file.write("odds, shift, doubt, then the view in 1/127\n")
        for view, z in zip(x[sample], said(net, x[sample])):
            file.write(",".join(f"{v:.4f}" for v in z) + "," + ",".join(str(v) for v in view.reshape(-1)) + "\n")


def main():
    runs = [Path(a) for a in sys.argv[1:]]
    if not runs:
        sys.exit(__doc__)
    views, labels, shifts, clip, clips, spans = [], [], [], [], {}, []
    for run in runs:
        source, _, _, found, shift = read(run)
        view = np.fromfile(run / "views.i8", np.int8).reshape(-1, ROWS, COLUMNS, PLANES)
        if len(view) != len(found):
            sys.exit(f"{run}: {len(view)} views of {len(found)} candidates; replay it again")
        spans.append((len(labels), len(view)))
        views.append(view)
        labels += found
        shifts += [math.nan if v is None else v for v in shift]
        clip += [clips.setdefault(source, len(clips))] * len(view)
    x, label, clip = np.concatenate(views), np.array(labels), np.array(clip)
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
        on = used & (fold != k)
        z[fold == k] = said(train(x[on], [t[on] for t in targets], k), x[fold == k])
        told, off = (fold == k) & (label != PART), (fold == k) & known
        area, fit = measure(targets[0][told], z[told, 0])
        before, after = np.abs(shift[off]), np.abs(shift[off] - z[off, 1])
        print(f"on clips not trained on: area under the curve {area:.4f}, log loss {fit:.4f}; "
              f"distance off in the middle {np.median(before):.3f} -> {np.median(after):.3f}, "
              f"beyond 0.15 {np.mean(before > 0.15):.3f} -> {np.mean(after > 0.15):.3f}",
              flush=True)
    for run, (at, n) in zip(runs, spans):
        np.savetxt(run / "likeness.csv", z[at:at + n], fmt="%.4f", delimiter=",")
    write(train(x[used], [t[used] for t in targets], FOLDS), x)


if __name__ == "__main__":
    main()
