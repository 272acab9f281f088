"""Which teeth an invented animal has at a given age, how far each has formed and come through.

Ages are in units of the time to the full adult dentition (0 birth, 1 adult). Order of events follows common
mammalian sequences (common practice, no source for one animal: the animals are invented).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

STAGE_AGE = {
    "newborn": (0.06, 0.13),
    "juvenile": (0.30, 0.58),
    "subadult": (0.64, 0.80),
    "adult": (1.0, 1.1),
    "old": (1.3, 1.5),
}

Formula = tuple[tuple[int, int, int, int], tuple[int, int, int, int], tuple[int, ...]]
# upper / lower counts (I, C, P, M) and the premolar loci that are kept
PLACENTAL: list[Formula] = [
    ((3, 1, 4, 2), (3, 1, 4, 3), (1, 2, 3, 4)),
    ((3, 1, 4, 3), (3, 1, 4, 3), (1, 2, 3, 4)),
    ((2, 1, 3, 3), (2, 1, 3, 3), (2, 3, 4)),
    ((3, 1, 3, 3), (3, 1, 3, 3), (2, 3, 4)),
    ((3, 1, 3, 1), (3, 1, 3, 1), (2, 3, 4)),
    ((2, 1, 2, 3), (3, 1, 2, 3), (3, 4)),
]
METATHERIAN: list[Formula] = [
    ((5, 1, 3, 4), (4, 1, 3, 4), (1, 2, 3)),
    ((4, 1, 3, 4), (3, 1, 3, 4), (1, 2, 3)),
    ((4, 1, 2, 4), (3, 1, 2, 4), (2, 3)),
    ((5, 1, 3, 4), (3, 1, 3, 4), (1, 2, 3)),
]
RODENT: list[Formula] = [
    ((1, 0, 0, 3), (1, 0, 0, 3), ()),
    ((1, 0, 1, 3), (1, 0, 1, 3), (4,)),
    ((1, 0, 2, 3), (1, 0, 1, 3), (3, 4)),
]
BROWSER: list[Formula] = [((0, 0, 3, 3), (3, 1, 3, 3), (2, 3, 4))]
DIPROTODONT: list[Formula] = [((3, 1, 2, 4), (1, 0, 2, 4), (2, 3)), ((3, 0, 1, 4), (1, 0, 1, 4), (3,))]
BAT: list[Formula] = [((2, 1, 2, 3), (3, 1, 3, 3), (2, 3, 4)), ((2, 1, 3, 3), (3, 1, 3, 3), (2, 3, 4))]
ANIMALS: dict[str, list[Formula]] = {
    "placental": PLACENTAL,
    "metatherian": METATHERIAN,
    "rodent": RODENT,
    "browser": BROWSER,
    "diprotodont": DIPROTODONT,
    "bat": BAT,
}
METATHERIANS = {"metatherian", "diprotodont"}
CLASS_NAME = {"I": "incisor", "C": "canine", "P": "premolar", "M": "molar"}


@dataclass
class Life:
    """Times of a tooth: crown begins and ends forming, eruption begins and ends, root ends, shed."""

    crown: tuple[float, float]
    eruption: tuple[float, float]
    root_done: float
    shed: float = 9.0


@dataclass
class Tooth:
    """One tooth of one quadrant, sizes in mm, before it is placed."""

    jaw: str
    cls: str
    position: int
    generation: str
    life: Life
    length: float = 1.0
    width: float = 1.0
    height: float = 1.0
    shape: str = "molar"
    crown_formed: float = 1.0
    root_formed: float = 1.0
    emergence: float = 1.0
    age_since: float = 1.0
    wear: float = 0.0
    extra: dict[str, float] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """Field notation: upper case upper, lower case lower, d before a deciduous tooth."""
        letter = self.cls if self.jaw == "upper" else self.cls.lower()
        number = "" if self.cls == "C" else str(self.position)
        return ("d" if self.generation == "deciduous" else "") + letter + number


def _life(crown0: float, crown1: float, out0: float, out1: float, shed: float = 9.0) -> Life:
    return Life((crown0, crown1), (out0, out1), out1 + 0.6 * (out1 - crown0) * 0.5, shed)


def _lives(animal: str, cls: str, pos: int, index: int) -> list[tuple[str, Life]]:
    """Generations at a locus with their times. ``index`` counts from the front of the class."""
    k = index * 0.03
    if cls == "M":
        meta = animal in METATHERIANS
        starts = (-0.08, 0.13, 0.34, 0.55) if meta else (-0.05, 0.18, 0.45, 0.6)
        c0 = starts[min(pos - 1, 3)]
        return [("permanent", _life(c0, c0 + 0.2, c0 + 0.26, c0 + 0.38))]
    if animal in METATHERIANS:
        if cls == "P" and pos == 3:
            return [
                ("deciduous", _life(-0.15, 0.0, 0.08, 0.18, 0.72)),
                ("permanent", _life(0.3, 0.58, 0.66, 0.8)),
            ]
        base = {"I": 0.0, "C": 0.03, "P": 0.05}[cls] + k
        return [("unreplaced", _life(base - 0.12, base + 0.08, base + 0.1, base + 0.24))]
    if animal == "rodent" and cls == "I":
        return [("unreplaced", _life(-0.3, -0.1, 0.0, 0.05))]
    if cls == "P" and pos == 1:
        return [("unreplaced", _life(0.02, 0.2, 0.26, 0.38))]
    base = {"I": 0.0, "C": 0.08, "P": 0.12}[cls] + k
    shed = 0.43 + base
    return [
        (
            "deciduous",
            _life(-0.32 + base * 0.3, -0.12 + base * 0.3, 0.0 + base * 0.5, 0.1 + base * 0.6, shed),
        ),
        ("permanent", _life(0.06 + base, 0.33 + base, shed - 0.02, shed + 0.12)),
    ]


def _sizes(animal: str, rng: np.random.Generator) -> dict[str, float]:
    """Relative sizes that vary widely between seeds (unit: length of M1)."""
    return {
        "i_len": rng.uniform(0.42, 0.66),
        "c_len": rng.uniform(0.62, 0.95),
        "c_height": rng.uniform(1.2, 2.4),
        "p_first": rng.uniform(0.42, 0.7),
        "p_last": rng.uniform(0.75, 1.15),
        "m_slope": rng.uniform(-0.16, 0.06),
        "m_ratio": rng.uniform(0.75, 1.3),
        "height": rng.uniform(0.5, 0.95),
        "carnassial": float(animal == "placental" and rng.random() < 0.35),
        "lophs": float(animal in {"rodent", "browser"} or rng.random() < 0.15),
        "sharp": rng.uniform(0.0, 1.0),
    }


def _shape(tooth: Tooth, n_in_class: int, s: dict[str, float], animal: str) -> None:
    """Set length, width, height (mm per M1 length) and shape name of a tooth."""
    up = tooth.jaw == "upper"
    if tooth.cls == "I":
        tooth.shape = "incisor"
        tooth.length = s["i_len"] * (1.15 if tooth.position == 1 else 1.0) * (1.0 if up else 0.8)
        tooth.width = tooth.length * 1.15
        tooth.height = tooth.length * (1.5 if animal != "diprotodont" or up else 3.0)
        if animal == "rodent" or (animal == "diprotodont" and not up):
            tooth.shape = "evergrowing" if animal == "rodent" else "incisor"
            tooth.length, tooth.width, tooth.height = 0.62, 0.78, 2.2
    elif tooth.cls == "C":
        tooth.shape = "canine"
        tooth.length, tooth.width = s["c_len"], s["c_len"] * 0.75
        tooth.height = s["c_len"] * s["c_height"]
        if animal in {"browser", "diprotodont"}:
            tooth.length, tooth.width, tooth.height = 0.4, 0.35, 0.55
    elif tooth.cls == "P" and not (tooth.generation == "deciduous" and tooth.position >= 3):
        f = (tooth.position - 1) / 3 if animal not in METATHERIANS else (tooth.position - 1) / 2
        tooth.length = s["p_first"] + f * (s["p_last"] - s["p_first"])
        last = tooth.position == 4
        tooth.width = tooth.length * ((0.95 if up else 0.7) if last else 0.55)
        tooth.height = s["height"] * (0.85 + 0.3 * f)
        tooth.shape = "premolar"
        if last and s["carnassial"] and up:
            tooth.length, tooth.shape = 1.25, "carnassial"
    else:
        p = tooth.position if tooth.cls == "M" else 0.4
        tooth.length = 1.0 + s["m_slope"] * (p - 1)
        tooth.width = tooth.length * (s["m_ratio"] if up else 0.55 + 0.2 * s["m_ratio"])
        tooth.height = s["height"]
        tooth.shape = ("loph" if s["lophs"] else "molar") + ("_upper" if up else "_lower")
        if s["carnassial"] and tooth.cls == "M":
            if not up and tooth.position == 1:
                tooth.length, tooth.width, tooth.shape = 1.3, 0.6, "carnassial"
            elif tooth.position > 1:
                tooth.length *= 0.65
                tooth.width *= 0.8
        if tooth.cls == "M" and tooth.position == n_in_class and tooth.position >= 3:
            tooth.length *= 0.8
    if tooth.generation == "deciduous":
        if tooth.cls != "P":
            tooth.length *= 0.74
            tooth.width *= 0.72
            tooth.height *= 0.6
        else:
            tooth.width *= 0.82
            tooth.height *= 0.8
            tooth.length *= 0.88


def plan(animal: str, age: float, rng: np.random.Generator, variant: int | None = None) -> dict[str, list[Tooth]]:
    """Teeth of the upper and lower quadrant present at an age, front to back (deciduous before successor).

    Returns ``{"upper": [...], "lower": [...]}``; lengths in units of the first molar's length.
    """
    formulas = ANIMALS[animal]
    upper, lower, loci = formulas[int(rng.integers(len(formulas))) if variant is None else variant]
    s = _sizes(animal, rng)
    shift = {c: rng.normal(0, 0.02) for c in "ICPM"}
    out: dict[str, list[Tooth]] = {}
    for jaw, counts in (("upper", upper), ("lower", lower)):
        teeth: list[Tooth] = []
        for cls, n in zip("ICPM", counts, strict=True):
            positions = loci[len(loci) - n :] if cls == "P" and n else tuple(range(1, n + 1))
            for index, pos in enumerate(positions):
                for generation, life in _lives(animal, cls, pos, index):
                    t = age - shift[cls] - (0.0 if jaw == "upper" else -0.015)
                    if t < life.crown[0] + 0.02 or t > life.shed:
                        continue
                    tooth = Tooth(jaw, cls, pos, generation, life)
                    _shape(tooth, n, s, animal)
                    _form(tooth, t)
                    teeth.append(tooth)
        out[jaw] = teeth
    return out


def _form(tooth: Tooth, t: float) -> None:
    life = tooth.life
    tooth.crown_formed = float(np.clip((t - life.crown[0]) / (life.crown[1] - life.crown[0]), 0.05, 1.0))
    start = life.crown[1]
    tooth.root_formed = float(np.clip((t - start) / (life.root_done - start), 0.0, 1.0)) if t > start else 0.0
    e0, e1 = life.eruption
    raw = (t - e0) / (e1 - e0)
    tooth.emergence = float(np.clip(raw, 0.0, 1.0))
    tooth.extra["approach"] = float(np.clip((t - life.crown[0]) / (e0 - life.crown[0]), 0.0, 1.0))
    tooth.age_since = float(np.clip((t - start) / 0.8, 0.0, 1.0))
    tooth.wear = float(np.clip((t - e1 - 0.5) * 0.35, 0.0, 0.5))
