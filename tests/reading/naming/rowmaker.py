"""Made-up tooth rows with known names: observations of invented animals, drawn at random.

Forms, sizes, eruption orders and faults are drawn anew for each specimen from wide ranges, by a model of
its own (not the one that names the teeth): per diet a profile of relative sizes and heights, stretched and
twisted at random; eruption by an order list with random swaps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ossicle.anatomy import Dentition, TemplateTooth
from ossicle.reading.records import Jaw, Side, ToothObservation


@dataclass(frozen=True)
class Faults:
    """How bad the observations are."""

    measure: float = 0.05
    arc: float = 0.1
    miss: float = 0.0
    false: float = 0.0
    merge: float = 0.0
    emergence: float = 0.03
    counts: float = 0.9
    premaxilla: float = 0.5
    asymmetry: float = 0.04
    agenesis: float = 0.0


CLEAN = Faults()
NOISY = Faults(
    measure=0.12,
    arc=0.2,
    miss=0.05,
    false=0.04,
    merge=0.01,
    emergence=0.06,
    counts=0.6,
    premaxilla=0.3,
    asymmetry=0.08,
)
BAD = Faults(
    measure=0.2,
    arc=0.3,
    miss=0.09,
    false=0.06,
    merge=0.03,
    emergence=0.1,
    counts=0.4,
    premaxilla=0.15,
    asymmetry=0.12,
)


@dataclass(frozen=True)
class Truth:
    jaw: Jaw
    side: Side
    tooth_class: str
    position: int
    generation: str
    emergence: str
    replaces: int | None = None


@dataclass(frozen=True)
class Specimen:
    dentition: Dentition
    age: float
    observations: tuple[ToothObservation, ...]
    truth: dict[int, Truth | None]


DIETS = {
    # relative to the largest molar: incisor, canine, front premolar, last premolar, first molar, last
    # molar (length); height of
    # incisor, canine, premolar, molar over length; width of premolar, upper molar, lower molar over length
    "carnivore": ((0.25, 0.7, 0.3, 1.0, 0.9, 0.45), (1.6, 2.0, 0.8, 0.65), (0.5, 1.2, 0.5)),
    "insectivore": ((0.45, 0.5, 0.4, 0.8, 1.0, 0.75), (1.6, 1.8, 1.0, 0.7), (0.6, 1.25, 0.65)),
    "browser": ((0.6, 0.5, 0.5, 0.75, 0.9, 1.0), (1.4, 1.3, 0.8, 0.8), (0.8, 1.05, 0.7)),
    "grazer": ((0.7, 0.5, 0.8, 0.9, 1.0, 1.0), (2.2, 1.6, 2.0, 2.4), (0.8, 0.85, 0.6)),
    "omnivore": ((0.5, 0.7, 0.45, 0.75, 0.95, 0.9), (1.5, 1.7, 0.85, 0.65), (0.85, 1.05, 0.8)),
    "gnawer": ((0.8, 0.5, 0.6, 0.9, 1.0, 0.8), (2.6, 1.2, 0.8, 0.8), (0.9, 1.0, 0.9)),
}


def diet_of(dentition: Dentition, rng: np.random.Generator) -> str:
    upper = sum(t.tooth_class == "incisor" for t in dentition.upper)
    canines = any(t.tooth_class == "canine" for t in (*dentition.upper, *dentition.lower))
    if not canines and upper <= 2:
        return "gnawer"
    if dentition.clade == "metatherian" and upper >= 4:
        return str(rng.choice(["insectivore", "omnivore", "carnivore"]))
    if dentition.order in ("Artiodactyla", "Perissodactyla", "Proboscidea", "Hyracoidea"):
        return str(rng.choice(["browser", "grazer", "omnivore"]))
    if dentition.order == "Carnivora":
        return str(rng.choice(["carnivore", "carnivore", "omnivore"]))
    if dentition.order == "Primates":
        return str(rng.choice(["omnivore", "insectivore", "browser"]))
    if dentition.order in ("Rodentia", "Lagomorpha"):
        return "gnawer"
    return str(rng.choice(["insectivore", "omnivore", "browser", "carnivore"]))


@dataclass
class _Tooth:
    """One generation at one locus of one jaw, before it is observed."""

    locus: TemplateTooth
    generation: str
    emerges: float
    length: float
    width: float
    height: float
    roots: int
    cusps: int
    arc: float = 0.0
    lift: float = 0.0
    offset: float = 0.0


def _jaw_teeth(dentition: Dentition, jaw: Jaw, diet: str, rng: np.random.Generator) -> tuple[list[list[_Tooth]], float]:
    """Return per locus its generations with sizes and eruption ages, and the premolar-molar arc scale."""
    profile, heights, widths = DIETS[diet]
    twist = np.exp(rng.normal(0, 0.15, 6))
    tall = np.exp(rng.normal(0, 0.15, 4))
    broad = np.exp(rng.normal(0, 0.1, 3))
    teeth = list(dentition.loci(jaw)) + [t for t in dentition.transient if t.jaw == jaw]
    teeth.sort(key=lambda t: (["incisor", "canine", "premolar", "molar"].index(t.tooth_class), t.position))
    metatherian = dentition.clade == "metatherian"
    shift = rng.normal(0, 0.05)
    replacement = rng.normal(0.6, 0.08)
    m_first = rng.normal(0.25 if not metatherian else 0.2, 0.04)
    m_step = rng.uniform(0.17, 0.3)
    loci: list[list[_Tooth]] = []
    for tooth in teeth:
        block = [t for t in teeth if t.tooth_class == tooth.tooth_class]
        rank, count = block.index(tooth), len(block)
        back = count - 1 - rank
        own = float(np.exp(rng.normal(0, 0.1)))
        if tooth.tooth_class == "incisor":
            length = profile[0] * twist[0] * own * (1 + rng.normal(0, 0.15) * rank)
            height, width = length * heights[0] * tall[0], length * rng.uniform(0.8, 1.4)
            roots, cusps = 1, int(rng.choice([1, 1, 1, 2, 3]))
        elif tooth.tooth_class == "canine":
            length = profile[1] * twist[1] * own
            height, width = length * heights[1] * tall[1], length * rng.uniform(0.6, 0.95)
            roots, cusps = int(rng.choice([1] * 12 + [2])), 1
        elif tooth.tooth_class == "premolar":
            share = rank / max(count - 1, 1) if count > 1 else 1.0
            length = (profile[2] * twist[2] * (1 - share) + profile[3] * twist[3] * share) * own
            height = length * heights[2] * tall[2]
            width = length * widths[0] * broad[0] * (1.3 if jaw == "upper" and back == 0 else 1.0)
            roots = int(rng.choice([1, 2], p=[0.75, 0.25])) if back >= 3 else 2
            if back == 0 and jaw == "upper":
                roots = int(rng.choice([2, 3]))
            cusps = int(rng.choice([1, 2, 3])) if back == 0 else int(rng.choice([1, 1, 1, 2]))
            if diet in ("grazer", "browser") and back <= 1:
                cusps = int(rng.choice([2, 3, 4]))
        else:
            share = rank / max(count - 1, 1)
            length = (profile[4] * twist[4] * (1 - share) + profile[5] * twist[5] * share) * own
            if 0 < rank < count - 1:
                length *= rng.uniform(1.0, 1.2)
            height = length * heights[3] * tall[3]
            width = length * (widths[1] if jaw == "upper" else widths[2]) * broad[1 if jaw == "upper" else 2]
            roots = int(rng.choice([3, 3, 3, 4, 2])) if jaw == "upper" else int(rng.choice([2, 2, 2, 2, 3]))
            cusps = int(rng.choice([3, 4, 4, 5, 6]))
            if back == 0 and count >= 2 and rng.random() < 0.3:
                roots, cusps = max(1, roots - 1), max(1, cusps - 1)
        generations: list[_Tooth] = []
        if tooth.replaced or tooth.transient:
            if tooth.tooth_class == "premolar" and back == 0:
                d_length = length * rng.uniform(0.85, 1.25)
                d_roots, d_cusps = (3 if jaw == "upper" else 2), int(rng.choice([3, 4, 5]))
            else:
                d_length = length * rng.uniform(0.55, 0.9)
                d_roots, d_cusps = roots, cusps
            generations.append(
                _Tooth(
                    tooth,
                    "deciduous",
                    rng.normal(0.04, 0.025) + (0.03 if tooth.tooth_class == "premolar" else 0),
                    d_length,
                    d_length * width / length * rng.uniform(0.8, 1.05),
                    d_length * height / length * rng.uniform(0.7, 1.0),
                    d_roots,
                    d_cusps,
                )
            )
        if not tooth.transient:
            if tooth.tooth_class == "molar":
                emerges = m_first + m_step * rank + rng.normal(0, 0.03)
            elif not tooth.replaced:
                emerges = (0.08 if metatherian else 0.2) + 0.02 * rank + rng.normal(0, 0.04)
            elif metatherian:
                emerges = rng.normal(0.7, 0.06)
            else:
                early = {"incisor": -0.15, "canine": 0.03, "premolar": 0.0}[tooth.tooth_class]
                emerges = replacement + early + shift + 0.03 * rank * rng.normal(1, 0.8) + rng.normal(0, 0.04)
            generations.append(_Tooth(tooth, tooth.generations[-1], emerges, length, width, height, roots, cusps))
        loci.append(generations)
    return loci, float(profile[4])


def make_specimen(
    dentition: Dentition,
    age: float,
    rng: np.random.Generator,
    faults: Faults = CLEAN,
    jaws: Sequence[Jaw] = ("upper", "lower"),
) -> Specimen:
    """Return the observations of one invented animal at a dental age, and what each object is (None: no
    tooth)."""
    diet = diet_of(dentition, rng)
    scale = float(np.exp(rng.uniform(np.log(1.5), np.log(15.0))))
    observations: list[ToothObservation] = []
    truth: dict[int, Truth | None] = {}
    part = 0
    for jaw in jaws:
        loci, _ = _jaw_teeth(dentition, jaw, diet, rng)
        spaced = rng.uniform(0.02, 0.35)
        diastema = {"gnawer": 2.5, "grazer": 2.0, "browser": 1.5}.get(diet, 0.3) * rng.uniform(0.5, 1.5)
        cursor = rng.uniform(0.02, 0.3)
        present: list[tuple[_Tooth, float]] = []
        before: TemplateTooth | None = None
        for generations in loci:
            standing = _standing(generations, age, rng)
            widest = max((t.length for t in generations), default=0.0)
            if before is not None and before.tooth_class != generations[0].locus.tooth_class:
                cursor += diastema * (
                    1
                    if before.tooth_class in ("incisor", "canine")
                    and generations[0].locus.tooth_class in ("premolar", "molar")
                    else 0.15
                )
            tooth_class = generations[0].locus.tooth_class
            gap = spaced * rng.uniform(0, 1) * (0.3 if tooth_class == "molar" else 1.0)
            centre = cursor + widest / 2
            for tooth, fraction in standing:
                tooth.arc = centre
                under = len(standing) == 2 and tooth.generation != "deciduous"
                if under:
                    tooth.arc += widest * rng.normal(0, 0.12 if tooth_class != "canine" else 0.25)
                    tooth.offset = -tooth.width * rng.uniform(0, 0.6)
                tooth.lift = (
                    tooth.height * (fraction - 0.5) if fraction > 0.05 else -tooth.height * rng.uniform(0.6, 1.4)
                )
                if under and fraction < 0.05:
                    tooth.lift -= tooth.height * 0.4
                present.append((tooth, fraction))
            if standing:
                cursor += widest * (0.95 if max(f for _, f in standing) < 0.05 else 1.0) + gap
            elif tooth_class != "molar":
                cursor += widest + gap
            before = generations[0].locus
        molar = next((t for t, _ in present if t.locus.tooth_class == "molar" and t.locus.position == 1), None)
        ahead = (molar.arc if molar is not None else cursor) + (
            0.0 if jaw == "upper" or molar is None else rng.normal(0.4, 0.4) * molar.length
        )
        agenesis = {id(t) for t, _ in present if rng.random() < faults.agenesis}
        for side in ("left", "right"):
            drift = rng.normal(0, 0.1)
            for tooth, fraction in present:
                if id(tooth) in agenesis or rng.random() < faults.miss * (1.5 if fraction < 0.05 else 1.0):
                    continue
                part += 1
                observations.append(_observe(part, tooth, fraction, jaw, side, age, scale, drift, ahead, faults, rng))
                state = "in_crypt" if fraction <= 0.05 else "erupted" if fraction >= 0.8 else "erupting"
                truth[part] = Truth(jaw, side, tooth.locus.tooth_class, tooth.locus.position, tooth.generation, state)
            here = [o for o in observations if o.jaw == jaw and o.side == side]
            for _ in range(rng.binomial(len(here), faults.false)):
                part += 1
                model = here[int(rng.integers(len(here)))]
                small = float(np.exp(rng.normal(-0.5, 0.5)))
                observations.append(
                    replace(
                        model,
                        part=part,
                        arc_mm=float(rng.uniform(0, cursor * scale * 1.1)),
                        offset_mm=float(rng.normal(0, 0.8) * model.width_mm),
                        depth_mm=float(rng.normal(-0.5, 1.0) * model.crown_height_mm),
                        length_mm=model.length_mm * small,
                        width_mm=model.width_mm * small * float(np.exp(rng.normal(0, 0.3))),
                        crown_height_mm=model.crown_height_mm * small * float(np.exp(rng.normal(0, 0.3))),
                        emergence_fraction=float(rng.choice([0.0, 0.0, rng.uniform(0, 1)])),
                        root_count=None if rng.random() < 0.5 else 1,
                        cusp_count=None,
                        detection=float(rng.beta(2.5, 2.5)),
                    )
                )
                truth[part] = None
            if rng.random() < faults.merge * len(here):
                _merge(observations, truth, jaw, side, rng)
    _note_pairs(truth)
    return Specimen(dentition, age, tuple(observations), truth)


def _standing(generations: list[_Tooth], age: float, rng: np.random.Generator) -> list[tuple[_Tooth, float]]:
    """Return the teeth of a locus that exist at an age, with their share of crown beyond the margin."""
    found = []
    last = generations[-1]
    for tooth in generations:
        since = age - tooth.emerges
        if since < -(0.32 if tooth.generation != "deciduous" else 0.4):
            continue
        if tooth.locus.transient and age > 0.3:
            continue
        if tooth is not last and age > last.emerges + rng.uniform(-0.03, 0.08):
            continue
        fraction = float(np.clip(since / 0.07, 0, 1)) if since > 0 else 0.0
        fraction = 0.0 if fraction < 0.06 else fraction * rng.uniform(0.93, 1.0)
        found.append((tooth, fraction))
    return found


def _observe(
    part: int,
    tooth: _Tooth,
    fraction: float,
    jaw: Jaw,
    side: Side,
    age: float,
    scale: float,
    drift: float,
    ahead: float,
    faults: Faults,
    rng: np.random.Generator,
) -> ToothObservation:
    grown = float(np.clip(1 + (age - tooth.emerges + 0.1) / 0.3, 0.35, 1.0))
    noise = np.exp(rng.normal(0, faults.measure, 5) + rng.normal(0, faults.asymmetry, 5))
    length = tooth.length * scale * noise[0] * grown**0.4
    width = tooth.width * scale * noise[1] * grown**0.4
    height = tooth.height * scale * noise[2] * grown
    arc = (tooth.arc + drift) * scale + rng.normal(0, faults.arc) * length
    shown = float(np.clip(fraction + rng.normal(0, faults.emergence) * (1 if fraction > 0.02 else 0.3), 0, 1))
    sign = 1.0 if side == "left" else -1.0
    up = -1.0 if jaw == "upper" else 1.0
    depth = tooth.lift * scale * noise[3]
    counted = rng.random() < faults.counts
    roots = int(np.clip(tooth.roots + rng.choice([0, 0, 0, 0, -1, 1]), 1, 4)) if counted and fraction > 0.3 else None
    cusps = int(np.clip(tooth.cusps + rng.choice([0, 0, 0, -1, 1]), 1, 7)) if counted and grown > 0.6 else None
    suture = None
    if jaw == "upper" and rng.random() < faults.premaxilla:
        inside = tooth.locus.tooth_class == "incisor"
        suture = float(rng.beta(8, 1.5)) if inside else float(rng.beta(1.5, 8))
    volume = length * width * height * 0.6
    centre = (sign * (2 * scale + 0.2 * arc), up * depth, ahead * scale - arc)
    return ToothObservation(
        part=part,
        jaw=jaw,
        side=side,
        arc_mm=float(arc),
        offset_mm=float(tooth.offset * scale + rng.normal(0, 0.12) * width),
        depth_mm=float(depth),
        centroid_skull_mm=centre,
        crown_centroid_skull_mm=centre,
        axis=(0.0, up, 0.0),
        length_mm=float(length),
        width_mm=float(width),
        crown_height_mm=float(height),
        volume_mm3=float(volume * 1.6),
        crown_volume_mm3=float(volume),
        enamel_volume_mm3=float(volume * 0.3),
        emergence_fraction=shown,
        root_fraction=float(np.clip((age - tooth.emerges + 0.05) / 0.3, 0, 1)),
        root_count=roots,
        cusp_count=cusps,
        mineralised=float(np.clip(grown + rng.normal(0, 0.1), 0, 1.1)),
        in_premaxilla=suture,
        touches_edge=False,
        detection=float(rng.beta(12, 1.2)),
    )


def _merge(
    observations: list[ToothObservation],
    truth: dict[int, Truth | None],
    jaw: Jaw,
    side: Side,
    rng: np.random.Generator,
) -> None:
    """Join two neighbours of one quadrant into one object that keeps the first one's number."""
    here = sorted(
        (o for o in observations if o.jaw == jaw and o.side == side and truth[o.part] and o.emergence_fraction > 0.3),
        key=lambda o: o.arc_mm,
    )
    if len(here) < 3:
        return
    k = int(rng.integers(len(here) - 1))
    a, b = here[k], here[k + 1]
    observations.remove(a)
    observations.remove(b)
    del truth[b.part]
    observations.append(
        replace(
            a,
            arc_mm=0.5 * (a.arc_mm + b.arc_mm),
            length_mm=a.length_mm + b.length_mm,
            width_mm=max(a.width_mm, b.width_mm),
            crown_height_mm=max(a.crown_height_mm, b.crown_height_mm),
            detection=float(rng.beta(6, 3)),
        )
    )


def _note_pairs(truth: dict[int, Truth | None]) -> None:
    young = {
        (t.jaw, t.side, t.tooth_class, t.position): part
        for part, t in truth.items()
        if t is not None and t.generation == "deciduous"
    }
    for part, t in list(truth.items()):
        if t is not None and t.generation == "permanent":
            truth[part] = replace(t, replaces=young.get((t.jaw, t.side, t.tooth_class, t.position)))
