"""How well the reading and the plain pipeline part the teeth of one scan, and how long each takes.

``python -m benchmarks.beside_plain --size 512 --docs docs`` draws an invented juvenile skull, lets both part it within
this process, and prints seconds and the Dice of each true tooth with the part that fits it best, one to one (0 where
none overlaps). The plain pipeline (`reference`) is given every advantage: each of its parts may be a tooth, though it
tells none from bone.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from .cubes import drawn_with_truth
from .pages import made_here
from .runner import one_thread_each
from .scoring import match, overlap

Labels = npt.NDArray[Any]


def scored(true: Labels, pred: Labels) -> dict[str, float]:
    """Mean, median and lowest tenth of the Dice of every true tooth, and how many have a part that overlaps."""
    ids = [int(i) for i in np.unique(true) if i]
    found = match(overlap(true, pred, ids, [int(i) for i in np.unique(pred) if i]), min_dice=1e-9)
    dice = np.array([found[i][1] if i in found else 0.0 for i in ids])
    return {
        "teeth": len(ids),
        "matched": len(found),
        "mean": float(dice.mean()),
        "median": float(np.median(dice)),
        "tenth": float(np.quantile(dice, 0.1)),
    }


def of_ossicle(grey: Labels, voxel: float) -> Labels:
    """Return the teeth that the reading parts."""
    from ossicle.reading import read

    found = read(grey, (voxel, voxel, voxel), threads=2)
    labels = np.asarray(found.labels)
    return np.where(np.isin(labels, [t.part for t in found.teeth]), labels, 0)


def of_plain(grey: Labels, voxel: float) -> Labels:
    """Return all parts of the plain pipeline."""
    from .reference import read

    return read(grey)[0]


def main(argv: Sequence[str] | None = None) -> int:
    """Command line."""
    p = argparse.ArgumentParser(
        prog="python -m benchmarks.beside_plain", description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    p.add_argument("--size", type=int, default=512)
    p.add_argument("--seed", type=int, default=865)
    p.add_argument("--docs", type=Path, help="folder to write beside_plain.json into")
    args = p.parse_args(argv)
    one_thread_each()
    grey, true, voxel = drawn_with_truth(args.size, args.seed)
    ways: dict[str, Callable[[Labels, float], Labels]] = {"ossicle": of_ossicle, "plain": of_plain}
    out: dict[str, Any] = {"made_by": made_here(2), "size": args.size, "seed": args.seed}
    for name, part in ways.items():
        began = time.perf_counter()
        labels = part(grey, voxel)
        seconds = time.perf_counter() - began
        out[name] = {"seconds": round(seconds, 1), **scored(true, labels)}
        print(name, json.dumps(out[name]), flush=True)
    if args.docs is not None:
        (args.docs / "beside_plain.json").write_text(json.dumps(out, indent=1) + "\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
