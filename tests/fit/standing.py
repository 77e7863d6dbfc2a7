#!/usr/bin/env python3
"""Grows the trees of src/segment/standing.rs on staged scenes whose truth is known.

  hindward stage demo/mixed.toml --out /tmp/train/mixed
  hindward stage demo/thin.toml --out /tmp/train/thin
  for more in "101 184 92" "303 30 15" "404 200 100" "707 110 90 --around" "505 160 90 --steady"; do
      tests/fit/scenes.py $more >/tmp/scenes.toml
      hindward stage /tmp/scenes.toml --out "/tmp/train/${more%% *}"
  done
  for clip in /tmp/train/*/*/ /tmp/train/*/held-back/*/; do
      [ -f "$clip/clip.toml" ] && hindward replay "$clip" --out "$clip/run" --candidates
  done
  pip install jax==0.4.38 scikit-learn==1.9.1 numpy
  tests/fit/likeness.py /tmp/train/*/*/run /tmp/train/*/held-back/*/run
  tests/fit/standing.py /tmp/train/*/*/run /tmp/train/*/held-back/*/run

Each line of candidates.csv is a group that was weighed. It stands if a thing of the
clip's truth.csv is where it is; it is ground if no thing is near. What lies behind
a thing, or before it, is left out: it is a part of the thing, at a wrong distance.

What the net says of a group is a measure of it: likeness.py has told it for each run from
the clips that this net had not seen.

First told is how well trees do on clips that they were not grown on (a fifth of the
clips at a time), then they are grown on all. What is told of one picture changes what is
weighed in the next: replay with the net and the trees that there are, so that new ones see
what those lead to (S. Ross, G. Gordon, D. Bagnell, AISTATS 2011).

Writes src/segment/trees.rs, and tests/reference/standing.csv for the test that the program
walks the trees as scikit-learn does.
"""
import csv
import json
import math
import os
import sys
import tomllib
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.metrics import log_loss, roc_auc_score
from sklearn.model_selection import GroupKFold

PLACE = ["frame", "time_s", "behind_m", "side_m", "left_m", "right_m", "middle_behind_m",
         "middle_side_m", "probability"]
# A group is on a thing within this of its distance (metres, share), and if the
# two are no farther apart sideways than this.
BEHIND, SHARE, BESIDE = 0.30, 0.18, 0.25
# Along the path, and not across it by so many metres, the truth does not tell how far a part
# of them is; and farther off than this (logarithm) a group belongs to something else.
LONG = ["kerb", "wall", "fence", "gate"]
ACROSS = 1.0
FARTHEST = 0.6
# More of these never makes a thing less likely to stand, and the other way round.
LOOKS = ["likeness", "shift", "doubt"]
MORE = ["swept", "swept_best", "sum", "parallax", "change", "smooth", "upright", "crossing", "feet",
        "likeness"]
LESS = ["cluttered", "at_rim"]
TREES, DEPTH, RATE, LEAST = 200, 3, 0.08, 120
GROUND, THING, PART = 0, 1, 2


def label(row, things):
    near, left, right = (float(row[k]) for k in ("behind_m", "left_m", "right_m"))
    part = GROUND
    for behind, side, half, visible, _ in things:
        over = min(right, side + half) - max(left, side - half)
        if visible <= 0.05 or over < -BESIDE - 0.05:
            continue
        if abs(near - behind) <= max(BEHIND, SHARE * behind) and over > -BESIDE:
            return THING
        if near > behind - 1.0:
            part = PART
    return part


def shift(row, things, camera):
    """Logarithm of the distance of the thing in whose direction the group's middle is against
    the group's own, from the camera's foot point; None if that is not known."""
    middle, across = float(row["middle_behind_m"]) - camera, float(row["middle_side_m"])
    found = None
    for behind, side, half, visible, kind in things:
        true = behind - camera
        if true < 0.15 or middle < 0.15 or visible < 0.2:
            continue
        # Where the middle would be at the thing's distance.
        if abs(across * true / middle - side) > half + BESIDE / 2:
            continue
        if found is not None or kind in LONG and half < ACROSS:
            return None
        found = math.log(true / middle)
    return found if found is not None and abs(found) < FARTHEST else None


def read(run):
    clip = Path(json.load(open(run / "summary.json"))["clip"])
    behind_of_camera = -tomllib.loads((run / "profile.toml").read_text())["mount"]["set_back_m"]
    truth = {}
    if (clip / "truth.csv").exists():
        for r in csv.DictReader(open(clip / "truth.csv")):
            keys = ("behind_m", "side_m", "half_width_m", "visible")
            thing = [float(r[k]) for k in keys] + [r["class"]]
            truth.setdefault(int(r["frame"]), []).append(thing)
    with open(run / "candidates.csv") as file:
        reader = csv.DictReader(file)
        names = [n for n in reader.fieldnames if n not in PLACE + LOOKS]
        rows, labels, shifts = [], [], []
        for r in reader:
            rows.append([float(r[n]) for n in names])
            labels.append(label(r, truth.get(int(r["frame"]), [])))
            shifts.append(shift(r, truth.get(int(r["frame"]), []), behind_of_camera))
    said = run / "likeness.csv"
    if said.exists():
        # What a net says that was not trained on this clip.
        names += LOOKS
        rows = [row + [float(v) for v in said.split(",")]
                for row, said in zip(rows, open(said), strict=True)]
    return clip, names, rows, labels, shifts


def grow(names, x, y):
    sign = [1 if n in MORE else -1 if n in LESS else 0 for n in names]
    model = HistGradientBoostingClassifier(
        max_iter=TREES, max_depth=DEPTH, learning_rate=RATE, min_samples_leaf=LEAST,
        l2_regularization=5.0, monotonic_cst=sign, early_stopping=False, random_state=0)
    return model.fit(x, y)


def complete(nodes, share):
    """A tree of scikit-learn as three levels of questions without gaps."""
    splits, leaves = [], []
    level = [0]
    for depth in range(DEPTH):
        below = []
        for node in level:
            n = nodes[node]
            if n["is_leaf"]:
                # Asked in vain: both answers are the leaf.
                splits.append((0, 0.0))
                below += [node, node]
            else:
                splits.append((int(n["feature_idx"]), float(n["num_threshold"])))
                below += [int(n["left"]), int(n["right"])]
        level = below
    leaves = [float(nodes[node]["value"]) + share for node in level]
    return splits, leaves


def main():
    root = Path(__file__).resolve().parents[2]
    names, x, y, clip = None, [], [], []
    clips = {}
    for run in (Path(a) for a in sys.argv[1:]):
        source, names, rows, labels, _ = read(run)
        x += rows
        y += labels
        clip += [clips.setdefault(source, len(clips))] * len(rows)
    if not x:
        sys.exit(__doc__)
    x, y, clip = np.array(x), np.array(y), np.array(clip)
    known = y != PART
    x, y, clip = x[known], y[known], clip[known]
    guess = np.zeros(len(y))
    for grown, kept in GroupKFold(5).split(x, y, clip):
        guess[kept] = grow(names, x[grown], y[grown]).predict_proba(x[kept])[:, 1]
    print(f"{len(set(clip))} clips, {len(y)} groups, {np.mean(y == THING):.2f} of them things")
    print(f"on clips not grown on: area under the curve {roc_auc_score(y, guess):.4f}, "
          f"log loss {log_loss(y, guess):.4f}")
    for low, high in ((0, 0.2), (0.2, 0.4), (0.4, 0.6), (0.6, 0.8), (0.8, 1.01)):
        told = (guess >= low) & (guess < high)
        print(f"  told {low:.1f} to {min(high, 1):.1f}: {np.mean(y[told] == THING):.2f} stand "
              f"({told.sum()})")
    model = grow(names, x, y)
    start = float(np.ravel(model._baseline_prediction)[0])
    trees = [complete(stage[0].nodes, start if i == 0 else 0.0)
             for i, stage in enumerate(model._predictors)]
    out = ["//! Trees of [`super::standing`], as `tests/fit/standing.py` grew them; not to be",
           "//! written by hand.", "", "use super::standing::Tree;", "",
           "#[rustfmt::skip]",
           "#[allow(clippy::approx_constant)] // bounds of measures, none of them pi",
           f"pub(super) static TREES: [Tree; {len(trees)}] = ["]
    # As short as tells one 32-bit number from the next: a bound must not move.
    number = lambda v: np.format_float_positional(np.float32(v), unique=True, trim="0")
    for splits, leaves in trees:
        s = ", ".join(f"({m}, {number(b)})" for m, b in splits)
        v = ", ".join(number(v) for v in leaves)
        out.append(f"    Tree {{ splits: [{s}], leaves: [{v}] }},")
    out += ["];", ""]
    (root / "src/segment/trees.rs").write_text("\n".join(out))
    sample = np.random.default_rng(1).choice(len(y), 60, replace=False)
    with open(root / "tests/reference/standing.csv", "w") as file:
        file.write(",".join(["probability"] + names) + "\n")
        for row, p in zip(x[sample], model.predict_proba(x[sample])[:, 1]):
            file.write(",".join([f"{p:.5f}"] + [f"{v:.5f}" for v in row]) + "\n")


if __name__ == "__main__":
    main()
