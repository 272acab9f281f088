"""Puts an invented animal together and paints it on a scan grid."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import rows as rowlib
from .dentition import METATHERIANS, STAGE_AGE, plan
from .occlusion import closest
from .pose import jaw_moves
from .rows import Arcade, Placed
from .skull import Cranium, Dentary, make_cranium, make_dentary

CODE_DENSITY = {0: 0.0, 1: 0.05, 2: 1.0, 3: 1.13, 4: 1.75, 5: 0.05, 6: 0.22, 7: 1.14}


@dataclass
class Options:
    """What to make; the command line sets these."""

    animal: str = "placental"
    stage: str = "adult"
    seed: int = 1
    voxel: float = 0.1
    noise: float = 1.0
    tilt: str = "small"
    length: float = 0.0
    wet: bool = False
    cupping: float = 0.0
    rings: float = 0.0
    missing: int = 0
    broken: int = 0
    background: str = "auto"
    variant: int | None = None
    bits: int = 16
    blur: float = 0.0
    part: str = "whole"
    crop: str = "none"


@dataclass
class Animal:
    """One modelled animal before it is scanned."""

    cranium: Cranium
    upper: Arcade
    lower: Arcade
    dentary: Dentary
    teeth: list[Placed]
    moves: dict[str, NDArray[np.float64]]  # by side, 4x4: skull mm -> frame in which the dentary was made
    length: float
    levels: dict[int, float]
    info: dict[str, Any] = field(default_factory=dict)


def design(o: Options) -> Animal:
    """Draw an animal. The same options and seed give the same animal at any voxel size."""
    key = sum(ord(c) * (i + 1) for i, c in enumerate(o.animal + o.stage))
    rng = np.random.default_rng([o.seed, key])
    lo, hi = STAGE_AGE[o.stage]
    age = float(rng.uniform(lo, hi))
    youth = float(np.clip(1 - age, 0, 1))
    grown = o.length or float(rng.uniform(27, 32))
    length = grown * (1 - 0.3 * youth**1.3)
    plans = int(rng.integers(1 << 31))
    uneven = float(rng.normal(0, 0.012))
    by_side = {
        side: plan(o.animal, age + shift, np.random.default_rng(plans), o.variant)
        for side, shift in (("left", 0.0), ("right", uneven))
    }
    sharp = float(rng.uniform(0, 1))
    gap = float(rng.uniform(0.12, 0.24))
    share = float(rng.uniform(0.35, 0.42))
    # scale so that the row of an adult fills its share of the skull
    full = plan(o.animal, 1.0, np.random.default_rng(plans), o.variant)
    cheek = max(
        sum(t.length for t in full[j] if t.cls in "CPM" and t.generation != "deciduous") for j in ("upper", "lower")
    )
    scale = float(np.clip(grown * share / (cheek * 1.06 + 0.8), 0.9, 2.6))
    rows: dict[str, Arcade] = {}
    placed: list[Placed] = []
    procumbent = float(rng.uniform(0.1, 0.7))
    canine_x = length * float(rng.uniform(0.06, 0.09))
    flare = float(rng.uniform(-0.02, 0.15))
    shift_z = 0.0
    for jaw in ("upper", "lower"):
        ts = by_side["left"][jaw]
        forms = rowlib.make_forms(ts, scale, rng, sharp)
        other = by_side["right"][jaw]
        other_forms = rowlib.mirror_forms(ts, forms, other, scale, rng, sharp)
        for t, f in zip([*ts, *other], [*forms, *other_forms], strict=True):
            if f.shape == "evergrowing":
                f.bend = (0.13 if jaw == "upper" else 0.24) * length
                f.root_length = (0.17 if jaw == "upper" else 0.27) * length
                f.height, f.length, f.width = 0.07 * length, 0.05 * length, 0.065 * length
                t.emergence = 1.0
        where = rowlib.slots(ts, forms, rng, o.animal)
        inc = max([a + b for (c, _), (a, b) in where.items() if c == "I"] or [0.3])
        end = max([a + b for a, b in where.values()] or [length * 0.3])
        outside = jaw == "upper"
        cx = canine_x if outside else canine_x * 0.85
        cz = -0.03 * length if outside else shift_z
        if outside:
            can = [f.length for t, f in zip(ts, forms, strict=True) if t.cls == "C"]
            shift_z = cz + (max(can) * 0.95 if can else 0.03 * length)
        bx = length * (0.135 if outside else 0.115) + (0.0 if outside else -0.1)
        level = 0.0 if outside else -2.0
        reach = max(end - inc, 0.3 * length)
        row = rowlib.arcade(inc, cx, cz, bx, cz - reach, 0.01 * length, -1.0 if outside else 1.0, level)
        row.sag = float(rng.uniform(0, 0.012)) * length
        rows[jaw] = row
        lean = procumbent * (1 if outside else 1.2) + _procumbent(o.animal, outside)
        placed += rowlib.place(ts, forms, where, row, "left", rng, gap, lean, flare)
        same = {(t.cls, t.position) for t in other} <= set(where)
        where_right = where if same else rowlib.slots(other, other_forms, rng, o.animal)
        placed += rowlib.place(other, other_forms, where_right, row, "right", rng, gap, lean, flare)
        rowlib.fit_bone(
            row,
            [p for p in placed if p.tooth.jaw == jaw],
            (0.07 if outside else 0.085) * length,
            (0.028 if outside else 0.026) * length,
        )
    drop, forward = closest(placed, 0.35 * scale)
    drop += float(rng.choice([0.0, 0.05, 0.2, 0.5]))
    row = rows["lower"]
    row.level -= drop
    row.points[:, 1] += forward
    for p in placed:
        if p.tooth.jaw == "lower":
            p.origin += np.array([0, -drop, forward])
    front = float(rows["upper"].points[0, 1]) + 0.025 * length
    for _ in range(1):
        cranium = make_cranium(length, front, rng, rows["upper"], youth)
    joint = cranium.joint
    dentary = make_dentary(row, length, joint, rng, o.animal in METATHERIANS)
    moves = jaw_moves(joint, length, o.part, rng)
    levels = dict(CODE_DENSITY)
    levels[3] = float(rng.uniform(1.06, 1.2))
    levels[4] = float(rng.uniform(1.55, 1.9))
    levels[7] = float(levels[3] * rng.uniform(0.97, 1.05))
    levels[1] = float(rng.uniform(0.06, 0.22))
    for k, p in enumerate(placed):
        p.label = 11 + k
        if p.fraction >= 0.8 and rng.random() < 0.12:
            turn_at = rng.uniform(0, np.pi)
            p.crack = (
                float(np.cos(turn_at)),
                float(np.sin(turn_at)),
                float(rng.normal(0, 0.15) * p.form.length),
                float(rng.uniform(0.02, 0.06)),
            )
    if o.missing or o.broken:
        able = [p for p in placed if p.fraction >= 0.8 and p.partner is None]
        picks = rng.choice(len(able), min(o.missing + o.broken, len(able)), replace=False)
        for n, k in enumerate(picks):
            if n < o.missing:
                able[k].missing = True
            else:
                able[k].broken = float(rng.uniform(0.3, 0.8))
    return Animal(
        cranium,
        rows["upper"],
        row,
        dentary,
        placed,
        moves,
        length,
        levels,
        {"age": age, "sharp": sharp, "gap_mm": gap, "scale": scale, "drop_mm": drop},
    )


def _procumbent(animal: str, upper: bool) -> float:
    """Extra forward lean of the incisors (tangent)."""
    return {"rodent": 0.25 if upper else 0.8, "diprotodont": 0.1 if upper else 2.2}.get(animal, 0.0)
