"""Individuals of one animal differ: the design of a skull, varied by a few percent."""

from __future__ import annotations

import copy
from dataclasses import replace
from typing import Any

import numpy as np

from ossicle.practice.animals import Animal

__all__ = ["individual"]


def individual(beast: Animal, rng: np.random.Generator, amount: float = 1.0) -> Animal:
    """One individual: breadths, heights, arches, jaws, ear and openings varied; `amount` 0 leaves the design.

    Coefficients of variation of 2 to 4 percent are common for skull measurements of mammals of one age
    (Yablokov 1974, Variability of mammals; value from memory).
    """
    design: dict[str, Any] = copy.deepcopy(dict(beast.design))

    def f(share: float) -> float:
        return 1.0 + amount * share * float(np.clip(rng.normal(), -2.2, 2.2))

    skull = design["cranium"]
    outline = np.asarray(skull["outline"], dtype=float)
    along = (outline[:, 0] - outline[:, 0].mean()) / max(float(np.ptp(outline[:, 0])), 1.0)
    outline[:, 1] *= f(0.022)
    outline[:, 3] *= f(0.025) * (1.0 + (f(0.05) - 1.0) * along)
    outline[:, 4] = np.maximum(outline[:, 4] * f(0.03), 2.0)
    skull["outline"] = outline.tolist()
    wide, thick, high = f(0.025), f(0.10), amount * 0.15 * float(rng.normal())
    skull["arch"] = [[p[0] * wide, p[1] + high, p[2], p[3] * thick] for p in skull["arch"]]
    skull["glenoid"][0] *= wide
    skull["crest"] = float(skull.get("crest", 0.0)) * f(0.25)
    skull["bulla"][3:6] = [v * f(0.04) for v in skull["bulla"][3:6]]
    jaw = design["dentary"]
    deep, stout = f(0.035), f(0.04)
    jaw["ramus"] = [[r[0], r[1], r[2], r[3] * stout, r[4] * deep] for r in jaw["ramus"]]
    jaw["angle"][2] *= f(0.06)
    arcade = f(0.012)
    for row in ("upper", "lower"):
        design["rows"][row] = [[p[0] * arcade, p[1], p[2]] for p in design["rows"][row]]
    for o in design.get("openings", ()):
        o["half"] = [v * f(0.07) for v in o["half"]]
    ear = design.setdefault("ear", {})
    for key, share in (("oval", 0.05), ("round", 0.05), ("stapes_thickness", 0.08), ("canals", 0.03)):
        ear[key] = float(ear.get(key, 1.0)) * f(share)
    return replace(beast, design=design)
