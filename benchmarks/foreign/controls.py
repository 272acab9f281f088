"""Scans without teeth: whatever tooth a reading claims in them is invented."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from .build import Animal, Options, design
from .canvas import Canvas, Texture
from .paint import paint
from .pose import grid
from .scanner import scan
from .write import write

KINDS = ("sphere", "noise", "tube", "braincase", "pebbles")


def make_control(out: Path, kind: str, seed: int, voxel: float) -> None:
    """Write a specimen folder of one of ``KINDS`` with a truth of no teeth.

    Raises
    ------
    ValueError
        If the kind is not known.
    """
    if kind not in KINDS:
        raise ValueError(f"no control is called {kind}; there are {', '.join(KINDS)}")
    rng = np.random.default_rng([seed, len(kind)])
    o = Options(seed=seed, voxel=voxel, background="tube" if kind == "tube" else "air", tilt="any")
    animal = design(o)
    if kind == "braincase":
        canvas = _braincase(animal, o)
    else:
        n = int(20 / voxel)
        canvas = Canvas((n, n, n), voxel, np.eye(4))
        _fill(canvas, kind, rng)
    grey, how = scan(canvas, o)
    write(out, animal, o, canvas, grey, how, [None] * len(animal.teeth))
    path = out / "truth" / "truth.json"
    truth = json.loads(path.read_text())
    truth.update(preset=f"control-{kind}", animal=kind)
    if kind != "braincase":
        truth["parts"] = []
    path.write_text(json.dumps(truth, indent=1))


def _braincase(animal: Animal, o: Options) -> Canvas:
    """The part of a cranium behind the tooth rows, broken off; no dentaries."""
    canvas = grid(animal, o)
    paint(animal, o, canvas)
    behind = float(animal.upper.points[:, 1][np.searchsorted(animal.upper.arc, animal.upper.end)]) - 0.8
    for box in canvas.slabs():
        _, _, z = canvas.coords(box)
        gone = (z > behind) | (canvas.labels[box] > 1)
        canvas.density[box][gone] = 0
        canvas.tissue[box][gone] = 0
        canvas.labels[box][gone] = 0
    canvas.density[canvas.labels == 0] *= canvas.tissue[canvas.labels == 0] > 0
    return canvas


def _fill(canvas: Canvas, kind: str, rng: np.random.Generator) -> None:
    n = canvas.shape[0]
    texture = Texture(rng, 0.3)
    stones = [(rng.uniform(0.15, 0.85, 3) * n, rng.uniform(0.02, 0.08) * n, rng.uniform(0.8, 1.9)) for _ in range(60)]
    for box in canvas.slabs():
        x, y, z = canvas.coords(box)
        den = canvas.density[box]
        if kind == "sphere":
            c = n * canvas.voxel / 2
            r = np.sqrt((x - c) ** 2 + (y - c) ** 2 + (z - c) ** 2)
            den[r < 0.35 * n * canvas.voxel] = 1.0
        elif kind == "noise":
            den[...] = 0.3 * texture(x, y, z)
        elif kind == "pebbles":
            for at, radius, level in stones:
                r2 = (x / canvas.voxel - at[0]) ** 2 + (y / canvas.voxel - at[1]) ** 2 + (z / canvas.voxel - at[2]) ** 2
                den[r2 < radius**2 * (1 + 0.1 * texture(x, y, z))] = level
        canvas.tissue[box][den > 0.5] = 5
