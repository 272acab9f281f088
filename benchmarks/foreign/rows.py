"""Places the planned teeth of one jaw along an arcade: depths, axes, crypts. Skull coordinates, mm."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from .crowns import Form, form
from .dentition import Tooth

Vec = NDArray[np.float64]


@dataclass
class Placed:
    """A tooth in its place. ``axes`` rows are unit vectors m (mesial), b (buccal), s (occlusal)."""

    tooth: Tooth
    form: Form
    side: str
    origin: Vec
    axes: NDArray[np.float64]
    arc: float
    fraction: float
    depth: float
    gap: float
    label: int = 0
    partner: Placed | None = None
    missing: bool = False
    broken: float = 0.0
    crack: tuple[float, float, float, float] | None = None

    @property
    def emergence(self) -> str:
        """In crypt, erupting or erupted."""
        if self.fraction <= 0.05:
            return "in_crypt"
        return "erupted" if self.fraction >= 0.8 else "erupting"


@dataclass
class Arcade:
    """Left half of a tooth row as a curve in the x-z plane with the depth and half width of its bone."""

    points: NDArray[np.float64]  # n, 2: x, z
    arc: NDArray[np.float64]
    direction: float  # +1 crowns point to +y (lower), -1 to -y (upper)
    level: float  # y of the alveolar crest
    depth: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    half: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    sag: float = 0.0
    end: float = 0.0

    def at(self, arc: float) -> tuple[Vec, Vec]:
        """Point (x, z) and unit tangent pointing backwards."""
        p = np.array([np.interp(arc, self.arc, self.points[:, k]) for k in (0, 1)])
        q = np.array([np.interp(arc + 0.15, self.arc, self.points[:, k]) for k in (0, 1)])
        o = np.array([np.interp(arc - 0.15, self.arc, self.points[:, k]) for k in (0, 1)])
        d = q - o
        return p, d / max(float(np.hypot(*d)), 1e-9)

    def crest(self, arc: float | NDArray[np.float64]) -> NDArray[np.float64]:
        """y of the crest, with a gentle sag along the row."""
        u = np.asarray(arc) / self.arc[-1]
        return np.asarray(self.level + self.sag * np.sin(np.pi * np.clip(u * 1.1 - 0.1, 0, 1)) * self.direction)


def arcade(
    incisors: float,
    canine_x: float,
    canine_z: float,
    back_x: float,
    back_z: float,
    bulge: float,
    direction: float,
    level: float,
) -> Arcade:
    """A quarter ellipse for the incisors (arc length ``incisors``) and a bowed line for the cheek teeth."""
    best = np.zeros((1, 2))
    for rise in np.linspace(0.15 * canine_x, max(incisors, canine_x) * 1.3, 60):
        t = np.linspace(0, np.pi / 2, 60)
        best = np.column_stack([canine_x * np.sin(t), canine_z + rise * np.cos(t)])
        if np.hypot(*np.diff(best, axis=0).T).sum() >= incisors + 0.1:
            break
    t = np.linspace(0, 1, 160)[1:]
    reach = 1.45  # goes on behind the last erupted tooth, for teeth still in the bone
    x = (
        canine_x
        + (back_x - canine_x) * np.clip(t * reach, 0, 1) ** 0.8
        + bulge * np.sin(np.pi * np.clip(t * reach, 0, 1))
    )
    z = canine_z + (back_z - canine_z) * t * reach
    points = np.vstack([best, np.column_stack([x, z])])
    arc = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    return Arcade(points, arc, direction, level)


def slots(
    teeth: list[Tooth], forms: list[Form], rng: np.random.Generator, animal: str
) -> dict[tuple[str, int], tuple[float, float]]:
    """Start and length along the row of every locus, front to back, relative to the first incisor's front."""
    size: dict[tuple[str, int], float] = {}
    for tooth, f in zip(teeth, forms, strict=True):
        key = (tooth.cls, tooth.position)
        share = 1.0 if tooth.emergence > 0 or tooth.generation != "permanent" else 0.92
        size[key] = max(size.get(key, 0.0), f.length * share)
    pos = 0.06
    out: dict[tuple[str, int], tuple[float, float]] = {}
    last = ""
    unit = float(np.mean([v for k, v in size.items() if k[0] in "MP"] or [1.0]))
    crowd = rng.choice([-0.01, 0.03, 0.1])
    for key, length in size.items():
        cls = key[0]
        if cls != last and last:
            pos += {"C": 0.25, "P": 0.18, "M": 0.0}.get(cls, 0.0) * unit * rng.uniform(0.3, 1.6)
            if last == "I" and cls in "PM":
                pos += unit * (3.0 if animal in {"rodent", "browser"} else 2.2)
        elif cls == "P" and key[1] <= 2:
            pos += unit * rng.uniform(0.0, 0.25)
        pos += rng.uniform(0.05, 0.2) if cls in "IC" else crowd * unit + rng.uniform(-0.005, 0.05) * unit
        out[key] = (pos, length)
        pos += length
        last = cls
    return out


def place(
    teeth: list[Tooth],
    forms: list[Form],
    where: dict[tuple[str, int], tuple[float, float]],
    row: Arcade,
    side: str,
    rng: np.random.Generator,
    gap: float,
    procumbent: float,
    flare: float,
) -> list[Placed]:
    """Put each tooth at its locus and depth. ``gap`` is the periodontal gap in mm."""
    sign = 1.0 if side == "left" else -1.0
    out: list[Placed] = []
    ahead: dict[tuple[str, int], Placed] = {}
    for tooth, f in zip(teeth, forms, strict=True):
        key = (tooth.cls, tooth.position)
        start, length = where[key]
        arc = start + length / 2
        (x, z), (dx, dz) = row.at(arc)
        back = np.array([dx, 0.0, dz])
        mesial = -back
        buccal = np.array([-dz, 0.0, dx])
        axis = np.array([0.0, row.direction, 0.0])
        lean = flare * (-1 if row.direction > 0 else 1) + rng.normal(0, 0.03)
        tip = procumbent if tooth.cls == "I" else (0.25 * procumbent if tooth.cls == "C" else rng.normal(0.02, 0.04))
        axis = axis + np.array([0, 0, tip]) if tooth.cls == "I" else axis + lean * buccal + tip * mesial
        milk = ahead.get(key)
        fraction = tooth.emergence
        fraction = float(np.clip(fraction, 0.0, 1.0))
        deep = 0.0
        lingual = 0.0
        if fraction <= 0.04:
            fraction = 0.0
            ready = tooth.extra.get("approach", 1.0)
            roof = 0.25 + 0.5 * (1 - ready)
            if milk is not None:
                roof += milk.form.root_length * milk.form.root_formed * 0.45 * (1 - 0.5 * ready)
                lingual = 0.18 * milk.form.width + 0.05
            deep = f.height * 1.02 + roof
            if tooth.cls == "M" and tooth.position > 1:
                axis = axis + (1 - ready) * (0.3 * back if row.direction < 0 else 0.35 * mesial)
        else:
            deep = (1 - fraction) * f.height - 0.08 * fraction * f.height
            if milk is not None:
                lingual = 0.75 * milk.form.width * (1 - fraction)
        axis = axis / np.linalg.norm(axis)
        m = mesial - axis * float(mesial @ axis)
        m /= np.linalg.norm(m)
        b = np.cross(axis, m)
        if b @ buccal < 0:
            b = -b
        turn = rng.normal(0, 0.07)
        m, b = m * np.cos(turn) + b * np.sin(turn), b * np.cos(turn) - m * np.sin(turn)
        crest = np.array([x, float(row.crest(arc)), z]) - buccal * lingual
        origin = crest - axis * deep
        axes = np.vstack([m, b, axis])
        origin = origin * np.array([sign, 1, 1])
        axes = axes * np.array([sign, 1, 1])
        placed = Placed(tooth, f, side, origin, axes, arc, fraction, deep, gap * rng.uniform(0.7, 1.3))
        if milk is not None:
            placed.partner = milk
            milk.partner = placed
        ahead[key] = placed
        out.append(placed)
    return out


def fit_bone(row: Arcade, placed: list[Placed], least_depth: float, least_half: float) -> None:
    """Make the jaw bone deep and wide enough for what it holds."""
    depth = np.full(len(row.arc), least_depth)
    half = np.full(len(row.arc), least_half)
    for p in placed:
        if p.form.shape == "evergrowing":
            continue
        need = p.depth + 0.3 + p.gap
        need += p.form.root_length * p.form.root_formed if p.form.crown_formed >= 1 else 0.1
        need *= max(abs(float(p.axes[2, 1])), 0.3)
        near = np.abs(row.arc - p.arc) < p.form.length * 0.75
        depth[near] = np.maximum(depth[near], need)
        half[near] = np.maximum(half[near], p.form.width * 0.5 + p.gap + 0.22)
    step = float(np.mean(np.diff(row.arc)))
    from scipy.ndimage import gaussian_filter1d, maximum_filter1d

    size = max(1, int(0.5 / step))
    row.depth = gaussian_filter1d(maximum_filter1d(depth, 2 * size + 1), size)
    row.half = gaussian_filter1d(maximum_filter1d(half, 2 * size + 1), size)
    row.end = max([p.arc + 0.5 * p.form.length + p.gap + 0.35 for p in placed] or [0.55 * row.arc[-1]])
    fade = np.clip((row.end + 0.25 * least_depth - row.arc) / (0.25 * least_depth), 0.02, 1) ** 0.5
    row.depth = np.maximum(row.depth * fade, 0.05)
    row.half = np.maximum(row.half * fade, 0.05)


def make_forms(teeth: list[Tooth], scale: float, rng: np.random.Generator, sharp: float) -> list[Form]:
    """Draw a shape for every planned tooth."""
    return [form(t, scale, rng, sharp) for t in teeth]


def mirror_forms(
    teeth: list[Tooth],
    forms: list[Form],
    other: list[Tooth],
    scale: float,
    rng: np.random.Generator,
    sharp: float,
) -> list[Form]:
    """Shapes of the other side's teeth: near mirror images, each at its own state of growth."""
    known = {(t.cls, t.position, t.generation): f for t, f in zip(teeth, forms, strict=True)}
    out = []
    for t in other:
        f = known.get((t.cls, t.position, t.generation))
        if f is None:
            out.append(form(t, scale, rng, sharp))
            continue
        k = rng.normal(1, 0.012, 4)
        out.append(
            replace(
                f,
                length=f.length * k[0],
                width=f.width * k[1],
                height=f.height * k[2],
                root_length=f.root_length * k[3],
                crown_formed=t.crown_formed,
                root_formed=t.root_formed,
                wear=t.wear,
            )
        )
    return out
