"""Naming on made-up rows: names, pairs, false objects, hints, order of input."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from ossicle.anatomy import load_dentitions
from ossicle.errors import OssicleError
from ossicle.reading.naming import NameHint, Naming, name_teeth

sys.path.insert(0, str(Path(__file__).parent))
import rowmaker


def share_right(naming: Naming, specimen: rowmaker.Specimen) -> float:
    named = {t.part: t for t in naming.teeth}
    real = {p: t for p, t in specimen.truth.items() if t is not None}
    right = sum(
        p in named
        and (named[p].tooth_class, named[p].position, named[p].generation)
        == (t.tooth_class, t.position, t.generation)
        for p, t in real.items()
    )
    return right / len(real)


@pytest.mark.parametrize(
    ("name", "age"),
    [("Canis", 0.45), ("Canis", 1.3), ("Didelphis", 0.5), ("Didelphis", 1.3), ("Sus", 0.4), ("Homo", 1.2)],
)
def test_clean_rows_are_named(name: str, age: float) -> None:
    known = load_dentitions()
    shares = []
    for seed in range(3):
        specimen = rowmaker.make_specimen(known[name], age, np.random.default_rng(seed))
        shares.append(share_right(name_teeth(specimen.observations, known), specimen))
    assert np.mean(shares) > 0.93


def test_no_objects_give_no_names() -> None:
    naming = name_teeth((), load_dentitions())
    assert naming.teeth == ()
    assert naming.dentition is None


def test_unknown_dentition_is_refused() -> None:
    specimen = rowmaker.make_specimen(load_dentitions()["Canis"], 1.2, np.random.default_rng(0))
    with pytest.raises(OssicleError, match="no dentition is called"):
        name_teeth(specimen.observations, load_dentitions(), dentition="Unicornis")


def test_order_of_input_does_not_matter() -> None:
    known = load_dentitions()
    specimen = rowmaker.make_specimen(known["Canis"], 0.5, np.random.default_rng(5), rowmaker.NOISY)
    forward = name_teeth(specimen.observations, known)
    backward = name_teeth(specimen.observations[::-1], known)
    assert forward == backward


def test_hint_is_honoured() -> None:
    known = load_dentitions()
    specimen = rowmaker.make_specimen(known["Sus"], 1.3, np.random.default_rng(2))
    part = next(p for p, t in specimen.truth.items() if t and t.tooth_class == "molar" and t.position == 1)
    naming = name_teeth(specimen.observations, known, fixed={part: NameHint("premolar", 4, "permanent")})
    tooth = next(t for t in naming.teeth if t.part == part)
    assert (tooth.tooth_class, tooth.position, tooth.generation) == ("premolar", 4, "permanent")
