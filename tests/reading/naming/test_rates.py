"""How often names are right, and whether confidences mean what they say, over many made-up animals.

Each dentition of the list with at least twelve teeth is drawn at a random age; half of the runs hide it
from the list, so that the animal is unknown. The limits are what the present code reaches, less a margin
for chance.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from ossicle.anatomy import load_dentitions
from ossicle.reading.naming import name_teeth

sys.path.insert(0, str(Path(__file__).parent))
import rowmaker

KNOWN = load_dentitions()
NAMES = [n for n, d in KNOWN.items() if d.formula.total >= 12 and d.clade != "monotreme"]


@dataclass
class Tally:
    teeth: int = 0
    locus: int = 0
    generation: int = 0
    false: int = 0
    false_kept: int = 0
    pairs: int = 0
    pairs_found: int = 0
    pairs_wrong: int = 0


def run(
    faults: rowmaker.Faults, seed: int, *, hide: bool = False, told: bool = False, step: int = 3
) -> tuple[Tally, np.ndarray]:
    """Return counts, and (teeth, 2): the confidence of each locus and whether it was right."""
    rng = np.random.default_rng(seed)
    tally = Tally()
    said: list[tuple[float, bool]] = []
    for name in NAMES[seed % step :: step]:
        own = KNOWN[name]
        low, high = [(-0.1, 0.2), (0.2, 0.5), (0.5, 0.9), (0.9, 1.3)][int(rng.integers(4))]
        specimen = rowmaker.make_specimen(own, float(rng.uniform(low, high)), rng, faults)
        listed = {k: d for k, d in KNOWN.items() if not hide or (d.upper, d.lower) != (own.upper, own.lower)}
        naming = name_teeth(specimen.observations, listed, dentition=name if told else "auto")
        named = {t.part: t for t in naming.teeth}
        for part, truth in specimen.truth.items():
            tooth = named.get(part)
            if truth is None:
                tally.false += 1
                tally.false_kept += tooth is not None
                continue
            tally.teeth += 1
            if tooth is None:
                continue
            right = (tooth.tooth_class, tooth.position) == (truth.tooth_class, truth.position)
            tally.locus += right
            tally.generation += tooth.generation == truth.generation
            said.append((tooth.locus_confidence, right))
        true = {(t.replaces, p) for p, t in specimen.truth.items() if t and t.replaces is not None}
        found = {(t.replaces, t.part) for t in naming.teeth if t.replaces is not None}
        tally.pairs += len(true)
        tally.pairs_found += len(true & found)
        tally.pairs_wrong += len(found - true)
    return tally, np.array(said, dtype=float)


@pytest.mark.slow
def test_rates_with_the_dentition_told() -> None:
    clean, _ = run(rowmaker.CLEAN, 11, told=True)
    assert clean.locus / clean.teeth > 0.95
    assert clean.generation / clean.teeth > 0.97
    assert clean.pairs_found >= 0.97 * clean.pairs
    assert clean.pairs_wrong == 0
    noisy, _ = run(rowmaker.NOISY, 12, told=True)
    assert noisy.locus / noisy.teeth > 0.93
    assert noisy.generation / noisy.teeth > 0.95
    assert noisy.false_kept <= 0.15 * noisy.false


@pytest.mark.slow
def test_rates_with_the_dentition_found() -> None:
    clean, _ = run(rowmaker.CLEAN, 13, step=6)
    assert clean.locus / clean.teeth > 0.86
    assert clean.generation / clean.teeth > 0.92
    assert clean.pairs_found >= 0.95 * clean.pairs
    assert clean.pairs_wrong <= 0.01 * clean.pairs
    noisy, _ = run(rowmaker.NOISY, 14, step=6)
    assert noisy.locus / noisy.teeth > 0.82
    assert noisy.generation / noisy.teeth > 0.9
    assert noisy.pairs_wrong <= 0.06 * noisy.pairs
    assert noisy.false_kept <= 0.15 * noisy.false


@pytest.mark.slow
def test_confidence_means_what_it_says() -> None:
    parts = [
        run(rowmaker.NOISY, 15, step=9)[1],
        run(rowmaker.CLEAN, 16, step=9)[1],
        run(rowmaker.CLEAN, 17, step=9, hide=True)[1],
    ]
    said = np.concatenate(parts)
    assert abs(said[:, 0].mean() - said[:, 1].mean()) < 0.04
    sure = said[said[:, 0] > 0.95]
    assert len(sure) > 0.3 * len(said)
    assert sure[:, 1].mean() > 0.95
    unsure = said[said[:, 0] < 0.7]
    assert 0.3 < unsure[:, 1].mean() < 0.85
    assert np.mean((said[:, 0] - said[:, 1]) ** 2) < 0.1
