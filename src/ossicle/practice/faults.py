"""Faults of real collections, each of which can be asked for by name and combined with others.

Faults of the specimen change its anatomy before it is scanned and leave a record in truth; faults of its
surroundings are in ``surroundings``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from ossicle.errors import OssicleError
from ossicle.practice.rows import RowCurve
from ossicle.practice.shapes import Frame, half_space, join, placed, sphere
from ossicle.practice.specimen import Anatomy, renumber
from ossicle.practice.teeth import Shape, State, Tooth, clearance, grow_tooth

__all__ = ["FAULTS", "afflict", "checked", "side_ages"]

FAULTS = MappingProxyType(
    {
        "missing-teeth": "some teeth fell out after death: empty alveoli",
        "healed-alveoli": "some teeth were lost in life: the alveoli have healed over",
        "broken-crowns": "some crowns are broken",
        "worn": "crowns are worn far down",
        "extra-tooth": "a small extra molar stands behind a row",
        "fused-teeth": "two neighbouring teeth are fused",
        "asymmetry": "one side is ahead of the other in growth",
        "lost-ossicle": "one ossicle is lost",
        "detached-dentaries": "the dentaries lie beside the cranium",
        "dentaries-alone": "there is no cranium in the scan",
        "cranium-alone": "there are no dentaries in the scan",
        "two-specimens": "a second specimen of the same kind lies in the scan",
        "cropped": "the specimen is cut by the edge of the scan",
        "wet": "a whole head in ethanol, with its flesh",
        "foam": "the specimen is packed in foam",
        "tube": "the specimen stands in a plastic tube",
        "pin": "a steel pin runs through the specimen",
        "tag": "an aluminium tag hangs on the specimen",
    }
)
"""Names of all faults, with what each does."""

Vec = NDArray[np.float64]


def checked(faults: Sequence[str]) -> tuple[str, ...]:
    """The faults in a fixed order; raises :class:`OssicleError` for unknown names and for pairs that exclude
    each other.
    """
    wrong = [f for f in faults if f not in FAULTS]
    if wrong:
        raise OssicleError(
            f"there is no fault called {wrong[0]!r}", where="faults", mend=f"choose from {', '.join(FAULTS)}"
        )
    if "cranium-alone" in faults and {"dentaries-alone", "detached-dentaries"} & set(faults):
        raise OssicleError("a cranium alone has no dentaries", where="faults", mend="leave one of the two out")
    return tuple(f for f in FAULTS if f in faults)


def side_ages(faults: Sequence[str], rng: np.random.Generator) -> dict[str, float]:
    """How far each side is ahead (in age) of the specimen's own age."""
    if "asymmetry" not in faults:
        return {"left": 0.0, "right": 0.0}
    ahead = float(rng.uniform(0.07, 0.13))
    return {"left": ahead, "right": 0.0} if rng.random() < 0.5 else {"left": 0.0, "right": ahead}


def afflict(a: Anatomy, faults: Sequence[str], rng: np.random.Generator) -> Anatomy:
    """Apply the faults of the specimen itself, in a fixed order."""
    steps: dict[str, Callable[[Anatomy, np.random.Generator], None]] = {
        "worn": _worn,
        "extra-tooth": _extra,
        "fused-teeth": _fused,
        "broken-crowns": _broken,
        "healed-alveoli": _healed,
        "missing-teeth": _missing,
        "lost-ossicle": _lost_ossicle,
        "detached-dentaries": _detached,
        "dentaries-alone": _no_cranium,
        "cranium-alone": _no_dentaries,
    }
    for name, step in steps.items():
        if name in faults:
            step(a, np.random.default_rng([int(rng.integers(1 << 40)), len(name)]))
    a.faults = list(faults)
    renumber(a)
    return a


def _standing(a: Anatomy) -> list[Tooth]:
    return [t for t in a.teeth if t.emergence == "erupted" and not t.notes]


def _choose(teeth: Sequence[Tooth], n: int, rng: np.random.Generator) -> list[Tooth]:
    picked = rng.choice(len(teeth), size=min(n, len(teeth)), replace=False)
    return [teeth[int(i)] for i in sorted(picked)]


def _drop(a: Anatomy, t: Tooth, alveolus: str) -> None:
    a.teeth = [u for u in a.teeth if u is not t]
    if t.replaced_by is not None:
        t.replaced_by.replaces = None
    if t.replaces is not None:
        t.replaces.replaced_by = None
    a.missing.append(
        {
            "name": t.name,
            "jaw": t.jaw,
            "side": t.side,
            "class": t.kind,
            "position": t.position,
            "generation": t.generation,
            "alveolus": alveolus,
        }
    )


def _missing(a: Anatomy, rng: np.random.Generator) -> None:
    # single-rooted teeth fall out first
    teeth = _standing(a)
    simple = [t for t in teeth if len(t.shape.roots) <= 1] or teeth
    for t in _choose(simple, int(rng.integers(1, 4)), rng) + _choose([t for t in teeth if t not in simple], 1, rng):
        _drop(a, t, "empty")
        a.ghosts.append(t)


def _healed(a: Anatomy, rng: np.random.Generator) -> None:
    for t in _choose(_standing(a), int(rng.integers(1, 4)), rng):
        _drop(a, t, "healed")


def _broken(a: Anatomy, rng: np.random.Generator) -> None:
    for t in _choose(_standing(a), int(rng.integers(2, 5)), rng):
        s = t.shape
        level = float(rng.uniform(0.25, 0.6)) * s.height
        tilt = rng.normal(0, 0.5, 2)
        plane = half_space([0, 0, level], [-float(tilt[0]), -float(tilt[1]), -1.0])
        bite = sphere([s.length * 0.3 * float(rng.choice([-1, 1])), 0.0, level + 0.1], 0.3 * min(s.length, s.width))
        t.model = replace(t.model, bitten=(*t.model.bitten, plane, bite))
        t.complete = False
        t.notes.append("crown broken")


def _worn(a: Anatomy, rng: np.random.Generator) -> None:
    for t in a.teeth:
        if t.emergence == "erupted" and not t.shape.growing:
            wear = float(
                np.clip(
                    rng.normal(0.5, 0.06) + (0.08 if t.kind == "molar" and t.position == 1 else 0.0),
                    0.3,
                    0.68,
                )
            )
            t.state = replace(t.state, wear=max(wear, t.state.wear))
            t.model = grow_tooth(t.shape, t.state, t.model.seed)


def _extra(a: Anatomy, rng: np.random.Generator) -> None:
    """A peg-like molar behind the last one of a quadrant in which the last has erupted."""
    places = []
    for jaw in ("upper", "lower"):
        for side in ("left", "right"):
            molars = [t for t in a.teeth if t.jaw == jaw and t.side == side and t.kind == "molar"]
            if molars and max(molars, key=lambda t: t.position).emergence == "erupted":
                places.append(max(molars, key=lambda t: t.position))
    if not places:
        return
    last = places[int(rng.integers(len(places)))]
    size = 0.5 * min(last.shape.length, last.shape.width) + 0.35
    shape = Shape("peg", size, size, 0.7 * min(last.shape.height, 1.5), 1.2, ((0.0, 0.0),), 0.8 * last.shape.enamel)
    model = grow_tooth(shape, State(), int(rng.integers(1 << 30)))
    curve = RowCurve(a.grow.point(a.animal.design["rows"][last.jaw]), last.jaw)
    mirror = np.diag([1.0 if last.side == "left" else -1.0, 1, 1, 1])
    s = np.linspace(0, curve.length, 300)
    flat = np.array([curve.point(float(v)) for v in s])
    home = np.linalg.inv(a.jaw[last.side]) @ last.to_skull if last.jaw == "lower" else last.to_skull
    here = (mirror @ home)[:3, 3]
    at = float(s[np.argmin(np.linalg.norm((flat - here)[:, [0, 2]], axis=1))])
    others = [t for t in a.teeth if t.side == last.side and t.jaw == last.jaw]
    crest = -0.2
    t = replace(
        last,
        position=last.position + 1,
        shape=shape,
        state=State(),
        model=model,
        crest=crest,
        full_crest=crest,
        notes=["extra tooth"],
        replaces=None,
        replaced_by=None,
        gap=0.14,
    )
    for step in range(60):
        m = mirror @ curve.frame(at + 0.4 * last.shape.length + 0.08 * step)
        m[:3, 3] -= m[:3, 2] * crest
        t = replace(t, to_skull=a.jaw[last.side] @ m if last.jaw == "lower" else m)
        if clearance(t, others, coarse=2, limit=0.3) > 0.05:
            a.teeth.append(t)
            return


def _fused(a: Anatomy, rng: np.random.Generator) -> None:
    """Two neighbours of one kind grown together: one tooth body with two crowns."""
    pairs = []
    teeth = [t for t in _standing(a) if t.kind in ("incisor", "premolar") and not t.shape.growing]
    for t in teeth:
        for u in teeth:
            same = (t.jaw, t.side, t.kind, t.generation) == (u.jaw, u.side, u.kind, u.generation)
            if same and u.position == t.position + 1 and t.replaced_by is None and u.replaced_by is None:
                pairs.append((t, u))
    if not pairs:
        return
    t, u = pairs[int(rng.integers(len(pairs)))]
    other = np.linalg.inv(t.to_skull) @ u.to_skull
    away = other[:3, 3] / max(float(np.linalg.norm(other[:3, 3])), 1e-6)
    other[:3, 3] -= away * (max(0.0, clearance(t, [u], limit=2.0)) + 0.12 * u.shape.length)
    whole = join(t.model.whole, placed(u.model.whole, other), k=0.3)
    t.model = replace(t.model, whole=whole, top=max(t.model.top, u.model.top))
    t.notes.append(f"fused with {u.name}")
    _drop(a, u, "shared")


def _lost_ossicle(a: Anatomy, rng: np.random.Generator) -> None:
    sides = [s for s, e in a.ears.items() if e.ossicles]
    if not sides:
        return
    ear = a.ears[sides[int(rng.integers(len(sides)))]]
    name = str(rng.choice(sorted(ear.ossicles)))
    ear.ossicles.pop(name)
    ear.figures["ossicles"][name] = "absent"
    if name == "stapes":
        ear.figures["stapes"], ear.figures["stapes_minimum_thickness_mm"] = "absent", None


def _move_jaw(a: Anatomy, side: str, to: Frame) -> None:
    """Carry a dentary and its teeth (also those that fell out) from where they are to where `to` puts the
    closed jaw.
    """
    change = to @ np.linalg.inv(a.jaw[side])
    for t in a.teeth + a.ghosts:
        if t.jaw == "lower" and t.side == side:
            t.to_skull = change @ t.to_skull
    a.jaw[side] = to


def _detached(a: Anatomy, rng: np.random.Generator) -> None:
    """Dentaries lie on their sides next to the cranium, one on each side, turned somewhat at random."""
    for side, k in (("left", 1.0), ("right", -1.0)):
        if side not in a.dentaries:
            continue
        boxes = [op.solid for op in a.dentaries[side].ops if op.verb == "add"]
        lo, hi = np.min([b.lo for b in boxes], axis=0), np.max([b.hi for b in boxes], axis=0)
        centre = (lo + hi) / 2
        roll, yaw = np.deg2rad(float(rng.uniform(60, 100))) * k, np.deg2rad(float(rng.uniform(-18, 18)))
        about_z = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
        about_y = np.array([[np.cos(yaw), 0, np.sin(yaw)], [0, 1, 0], [-np.sin(yaw), 0, np.cos(yaw)]])
        r = about_y @ about_z
        width = float(
            np.ptp(
                (np.array([[x, y, z] for x in (lo[0], hi[0]) for y in (lo[1], hi[1]) for z in (lo[2], hi[2])]) @ r.T)[
                    :, 0
                ]
            )
        )
        reach = a.half_width + width / 2 + float(rng.uniform(0.8, 2.0))
        m = np.eye(4)
        m[:3, :3] = r
        goal = np.array([k * reach, float(rng.uniform(-1.0, 2.0)), float(centre[2]) + float(rng.uniform(-3, 3))])
        m[:3, 3] = goal - r @ centre
        _move_jaw(a, side, m)
    a.gape_deg = float("nan")


def _no_cranium(a: Anatomy, rng: np.random.Generator) -> None:
    del rng
    a.cranium, a.ears, a.openings = None, {}, []
    a.teeth = [t for t in a.teeth if t.jaw == "lower"]
    a.ghosts = [t for t in a.ghosts if t.jaw == "lower"]


def _no_dentaries(a: Anatomy, rng: np.random.Generator) -> None:
    del rng
    a.dentaries = {}
    a.teeth = [t for t in a.teeth if t.jaw == "upper"]
    a.ghosts = [t for t in a.ghosts if t.jaw == "upper"]
    a.gape_deg = float("nan")
