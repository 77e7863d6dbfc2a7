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
import sys
from pathlib import Path

import jax
import jax.numpy as jnp
import numpy as np

from standing import GROUND, PART, THING, read

ROWS, COLUMNS, PLANES = 20, 16, 8
FIRST, SECOND, HIDDEN = 12, 16, 16
FOLDS, ROUNDS, BATCH, RATE, DECAY = 3, 8, 256, 2e-3, 1e-4
# Ground that is easily told is so common that a share of it is enough.
EASY, EASY_SHARE = 0.03, 0.3


def shapes():
    flat = (ROWS // 4) * (COLUMNS // 4) * SECOND
    return {"first": (3, 3, PLANES, FIRST), "first_bias": (FIRST,),
            "second": (3, 3, FIRST, SECOND), "second_bias": (SECOND,),
            "hidden": (flat, HIDDEN), "hidden_bias": (HIDDEN,),
            "last": (HIDDEN,), "last_bias": ()}


def begin(seed):
    lot = np.random.default_rng(seed)
    net = {}
    for name, shape in shapes().items():
        if name.endswith("bias"):
            net[name] = jnp.zeros(shape)
        else:
            fan = np.prod(shape[:-1]) if len(shape) > 1 else shape[0]
            net[name] = jnp.array(lot.normal(0, np.sqrt(2 / fan), shape), jnp.float32)
    return net


def convolve(x, weights, bias):
    x = jax.lax.conv_general_dilated(x, weights, (1, 1), "SAME",
                                     dimension_numbers=("NHWC", "HWIO", "NHWC")) + bias
    n, h, w, c = x.shape
    return jnp.maximum(x, 0).reshape(n, h // 2, 2, w // 2, 2, c).max((2, 4))


def odds(net, x):
    x = convolve(x, net["first"], net["first_bias"])
    x = convolve(x, net["second"], net["second_bias"])
    x = jnp.maximum(x.reshape(len(x), -1) @ net["hidden"] + net["hidden_bias"], 0)
    return x @ net["last"] + net["last_bias"]


def loss(net, x, y, w):
    z = odds(net, x)
    fit = jnp.sum(w * (jnp.logaddexp(0, z) - y * z)) / jnp.sum(w)
    return fit + DECAY * sum(jnp.sum(v * v) for k, v in net.items() if "bias" not in k)


@jax.jit
def step(net, m, v, t, x, y, w, rate):
    g = jax.grad(loss)(net, x, y, w)
    m = jax.tree.map(lambda a, b: 0.9 * a + 0.1 * b, m, g)
    v = jax.tree.map(lambda a, b: 0.999 * a + 0.001 * b * b, v, g)
    move = lambda p, a, b: p - rate * (a / (1 - 0.9 ** t)) / (jnp.sqrt(b / (1 - 0.999 ** t)) + 1e-8)
    return jax.tree.map(move, net, m, v), m, v


say = jax.jit(odds)


def train(x, y, w, seed):
    lot = np.random.default_rng(seed)
    net = begin(seed)
    m = jax.tree.map(jnp.zeros_like, net)
    v = jax.tree.map(jnp.zeros_like, net)
    steps = ROUNDS * (len(y) // BATCH)
    t = 0
    for _ in range(ROUNDS):
        order = lot.permutation(len(y))
        for i in range(len(y) // BATCH):
            k = np.sort(order[i * BATCH:(i + 1) * BATCH])
            t += 1
            view = x[k].astype(np.float32) / 127
            # What stands to the left looks as it does to the right.
            if lot.random() < 0.5:
                view = view[:, :, ::-1]
            # No light is like another.
            view[..., :3] *= lot.uniform(0.6, 1.3, (BATCH, 1, 1, 3)).astype(np.float32)
            rate = RATE * 0.5 * (1 + np.cos(np.pi * t / steps))
            net, m, v = step(net, m, v, float(t), view, y[k], w[k], rate)
    return net


def said(net, x):
    out = [np.asarray(say(net, x[i:i + 2048].astype(np.float32) / 127))
           for i in range(0, len(x), 2048)]
    return np.concatenate(out) if out else np.zeros(0)


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
        file.write("odds, then the view in 1/127\n")
        for view, z in zip(x[sample], said(net, x[sample])):
            file.write(f"{z:.4f}," + ",".join(str(v) for v in view.reshape(-1)) + "\n")


def main():
    runs, x, y, w, clip, clips, spans = [], [], [], [], [], {}, []
    for run in (Path(a) for a in sys.argv[1:]):
        source, _, rows, labels, told = read(run)
        view = np.fromfile(run / "views.i8", np.int8).reshape(-1, ROWS, COLUMNS, PLANES)
        if len(view) != len(labels):
            sys.exit(f"{run}: {len(view)} views of {len(labels)} candidates; replay it again")
        runs.append(run)
        spans.append((sum(map(len, y)), len(view)))
        x.append(view)
        y.append(np.array(labels, int))
        w.append(np.array(told, float))
        clip += [clips.setdefault(source.name, len(clips))] * len(view)
    if not x:
        sys.exit(__doc__)
    x, label, told, clip = np.concatenate(x), np.concatenate(y), np.concatenate(w), np.array(clip)
    lot = np.random.default_rng(0)
    easy = (label == GROUND) & (told < EASY)
    used = (label != PART) & (~easy | (lot.random(len(label)) < EASY_SHARE))
    weight = np.where(easy, 1 / EASY_SHARE, 1.0).astype(np.float32)
    y = (label == THING).astype(np.float32)
    fold = lot.permutation(len(clips))[clip] % FOLDS
    print(f"{len(clips)} clips, {len(y)} views, {used.sum()} of them used", flush=True)
    z = np.zeros(len(y))
    for k in range(FOLDS):
        on = used & (fold != k)
        net = train(x[on], y[on], weight[on], k)
        z[fold == k] = said(net, x[fold == k])
        known = (fold == k) & (label != PART)
        print("on clips not trained on: area under the curve %.4f, log loss %.4f"
              % measure(y[known], z[known]), flush=True)
    for run, (at, n) in zip(runs, spans):
        np.savetxt(run / "likeness.csv", z[at:at + n], fmt="%.4f")
    write(train(x[used], y[used], weight[used], FOLDS), x)


if __name__ == "__main__":
    main()
