"""Naming on made-up rows and on human teeth: names, pairs, false objects, hints, what may not matter."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ossicle.anatomy import load_dentitions
from ossicle.errors import OssicleError
from ossicle.reading.naming import NameHint, Naming, name_teeth, tooth_name
from ossicle.reading.records import ToothObservation

sys.path.insert(0, str(Path(__file__).parent))
import human
import rowmaker

KNOWN = load_dentitions()


def specimen_of(name: str, age: float, seed: int, faults: rowmaker.Faults = rowmaker.CLEAN) -> rowmaker.Specimen:
    return rowmaker.make_specimen(KNOWN[name], age, np.random.default_rng(seed), faults)


def names_of(naming: Naming) -> dict[int, tuple[str, str]]:
    return {t.part: (t.name, t.generation) for t in naming.teeth}


def share_right(naming: Naming, specimen: rowmaker.Specimen) -> float:
    named = {t.part: (t.tooth_class, t.position, t.generation) for t in naming.teeth}
    real = {p: (t.tooth_class, t.position, t.generation) for p, t in specimen.truth.items() if t is not None}
    return sum(named.get(p) == name for p, name in real.items()) / len(real)


@pytest.mark.parametrize(
    ("name", "age"),
    [("Canis", 0.45), ("Canis", 1.3), ("Didelphis", 0.5), ("Didelphis", 1.3), ("Sus", 0.4), ("Homo", 1.2)],
)
def test_clean_rows_are_named(name: str, age: float) -> None:
    shares = []
    for seed in range(3):
        specimen = specimen_of(name, age, seed)
        shares.append(share_right(name_teeth(specimen.observations, KNOWN), specimen))
    assert np.mean(shares) > 0.93


@pytest.mark.parametrize(("states", "total"), [(human.ADULT, 32), (human.SIX_YEARS, 48)])
def test_human_teeth_from_handbook_measures(states: dict[human.Key, tuple[float, float]], total: int) -> None:
    observations, truth = human.observe(states)
    naming = name_teeth(observations, KNOWN)
    assert len(observations) == total
    found = {t.part: (t.tooth_class, t.position, t.generation) for t in naming.teeth}
    assert found == truth
    assert "Homo" in naming.alike
    for tooth in naming.teeth:
        partner = (tooth.tooth_class, tooth.position, "deciduous")
        if tooth.generation == "permanent" and partner in states:
            assert tooth.replaces is not None
            assert truth[tooth.replaces] == partner
    counts = naming.formula["upper_left"]
    assert counts == {"I": 2, "C": 1, "P": 2, "M": 3 if states is human.ADULT else 1}


def test_no_objects_give_no_names() -> None:
    naming = name_teeth((), KNOWN)
    assert naming.teeth == ()
    assert naming.dentition is None


def test_unknown_dentition_is_refused() -> None:
    with pytest.raises(OssicleError, match="no dentition is called"):
        name_teeth(specimen_of("Canis", 1.2, 0).observations, KNOWN, dentition="Unicornis")


def test_one_dentition_can_be_demanded() -> None:
    specimen = specimen_of("Procyon", 1.2, 3)
    naming = name_teeth(specimen.observations, KNOWN, dentition="procyon")
    assert "Procyon" in naming.alike
    assert share_right(naming, specimen) > 0.95


def test_any_few_objects_are_answered() -> None:
    objects = specimen_of("Canis", 0.4, 1).observations
    for count in (1, 2, 3):
        naming = name_teeth(objects[:count], KNOWN)
        assert len(naming.teeth) + len(naming.dropped) == count
        assert all(0 <= t.confidence <= 1 for t in naming.teeth)


@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 1000), factor=st.floats(0.2, 20.0))
def test_neither_order_nor_size_nor_side_matters(seed: int, factor: float) -> None:
    rng = np.random.default_rng(seed)
    name = str(rng.choice(["Canis", "Didelphis", "Bos", "Sciurus"]))
    specimen = specimen_of(name, float(rng.uniform(0, 1.3)), seed, rowmaker.NOISY)
    plain = name_teeth(specimen.observations, KNOWN)
    assert plain == name_teeth(specimen.observations[::-1], KNOWN)

    def scaled(o: ToothObservation) -> ToothObservation:
        lengths = ("arc_mm", "offset_mm", "depth_mm", "length_mm", "width_mm", "crown_height_mm")
        x, y, z = o.crown_centroid_skull_mm
        return replace(
            o,
            **{n: getattr(o, n) * factor for n in lengths},
            crown_centroid_skull_mm=(x * factor, y * factor, z * factor),
        )

    assert names_of(name_teeth([scaled(o) for o in specimen.observations], KNOWN)) == names_of(plain)
    swapped = [replace(o, side="right" if o.side == "left" else "left") for o in specimen.observations]
    other = name_teeth(swapped, KNOWN)
    same = sum(names_of(other).get(p) == n for p, n in names_of(plain).items())
    assert same >= 0.9 * len(plain.teeth)


def test_false_objects_are_dropped_and_real_teeth_kept() -> None:
    false = kept = real = lost = 0
    for seed in range(10):
        specimen = specimen_of("Canis", 0.9, seed, rowmaker.NOISY)
        naming = name_teeth(specimen.observations, KNOWN)
        named = {t.part for t in naming.teeth}
        assert named | {d.part for d in naming.dropped} == set(specimen.truth)
        assert all(d.reason for d in naming.dropped)
        false += sum(t is None for t in specimen.truth.values())
        kept += sum(t is None and p in named for p, t in specimen.truth.items())
        real += sum(t is not None for t in specimen.truth.values())
        lost += sum(t is not None and p not in named for p, t in specimen.truth.items())
    assert false >= 8
    assert kept <= 0.15 * false
    assert lost <= 0.01 * real


def test_successions_lie_in_one_locus_and_side() -> None:
    specimen = specimen_of("Canis", 0.5, 4)
    naming = name_teeth(specimen.observations, KNOWN)
    teeth = {t.part: t for t in naming.teeth}
    pairs = [(teeth[t.replaces], t) for t in naming.teeth if t.replaces is not None]
    assert len(pairs) > 10
    for young, old in pairs:
        assert young.replaced_by == old.part
        assert (young.side, young.jaw, young.tooth_class, young.position) == (
            old.side,
            old.jaw,
            old.tooth_class,
            old.position,
        )
        assert (young.generation, old.generation) == ("deciduous", "permanent")


def test_metatherians_replace_the_last_premolar_only() -> None:
    specimen = specimen_of("Didelphis", 0.55, 1)
    naming = name_teeth(specimen.observations, KNOWN)
    assert {t.name for t in naming.teeth if t.generation == "deciduous"} == {"dP3", "dp3"}
    assert {t.name for t in naming.teeth if t.replaces is not None} == {"P3", "p3"}
    assert all(t.generation == "permanent" for t in naming.teeth if t.tooth_class == "molar")
    assert all(t.generation == "unreplaced" for t in naming.teeth if t.tooth_class in ("incisor", "canine"))


def test_one_dentary_alone() -> None:
    shares = []
    for seed in range(3):
        specimen = rowmaker.make_specimen(
            KNOWN["Canis"], 0.5, np.random.default_rng(seed), rowmaker.CLEAN, jaws=("lower",)
        )
        left = [o for o in specimen.observations if o.side == "left"]
        naming = name_teeth(left, KNOWN)
        assert set(naming.formula) == {"lower_left"}
        assert any("one side only" in remark for remark in naming.remarks)
        named = {t.part: (t.tooth_class, t.position, t.generation) for t in naming.teeth}
        truth = {o.part: specimen.truth[o.part] for o in left}
        right = [named.get(p) == (t.tooth_class, t.position, t.generation) for p, t in truth.items() if t is not None]
        shares.append(np.mean(right))
    assert np.mean(shares) > 0.85


def test_a_molar_too_many_is_kept_and_said() -> None:
    observations, truth = human.observe(human.ADULT)
    last = next(o for o in observations if truth[o.part] == ("molar", 3, "permanent"))
    x, y, z = last.crown_centroid_skull_mm
    fourth = replace(
        last,
        part=900,
        arc_mm=last.arc_mm + 1.05 * last.length_mm,
        crown_centroid_skull_mm=(x, y, z - last.length_mm),
        length_mm=0.8 * last.length_mm,
        detection=0.97,
    )
    unsure = name_teeth([*observations, fourth], KNOWN)
    assert {t.part for t in unsure.teeth} == {900, *truth}
    naming = name_teeth([*observations, fourth], KNOWN, dentition="Homo")
    named = names_of(naming)
    assert named[900][0] == "M4"
    assert next(t for t in naming.teeth if t.part == 900).extra
    assert any("part 900" in anomaly for anomaly in naming.anomalies)
    assert all(named[o.part][0] == tooth_name(o.jaw, *truth[o.part]) for o in observations)  # type: ignore[arg-type]
    assert naming.formula["upper_left"]["M"] == naming.formula["upper_right"]["M"] + 1


def test_a_gap_is_told() -> None:
    observations, truth = human.observe(human.ADULT)
    gone = next(p for p, key in truth.items() if key == ("premolar", 4, "permanent"))
    lost = next(o for o in observations if o.part == gone)
    naming = name_teeth([o for o in observations if o.part != gone], KNOWN)
    quadrant = f"{lost.jaw}_{lost.side}"
    assert naming.gaps[quadrant] == ("P4",)
    assert all(not missing for q, missing in naming.gaps.items() if q != quadrant)


def test_two_teeth_in_one_are_suspected() -> None:
    observations, truth = human.observe(human.ADULT)
    first, second = (
        next(o for o in observations if truth[o.part] == key and o.jaw == "upper")
        for key in (("molar", 1, "permanent"), ("molar", 2, "permanent"))
    )
    joined = replace(
        first,
        length_mm=first.length_mm + second.length_mm,
        arc_mm=0.5 * (first.arc_mm + second.arc_mm),
        detection=0.8,
    )
    rest = [o for o in observations if o.part not in (first.part, second.part)]
    naming = name_teeth([*rest, joined], KNOWN)
    named = names_of(naming)
    assert all(named[o.part] == (tooth_name(o.jaw, *truth[o.part]), "permanent") for o in rest)  # type: ignore[arg-type]


def test_hints_are_honoured_and_carry_their_neighbours() -> None:
    specimen = specimen_of("Sus", 1.3, 2)
    part = next(
        p for p, t in specimen.truth.items() if t and (t.jaw, t.tooth_class, t.position) == ("upper", "molar", 1)
    )
    naming = name_teeth(specimen.observations, KNOWN, fixed={part: NameHint("premolar", 4, "permanent")})
    teeth = {t.part: t for t in naming.teeth}
    assert (teeth[part].tooth_class, teeth[part].position, teeth[part].generation) == ("premolar", 4, "permanent")
    assert teeth[part].locus_confidence == 1.0
    behind = min(
        (
            o
            for o in specimen.observations
            if o.jaw == "upper"
            and o.side == teeth[part].side
            and o.arc_mm > next(x.arc_mm for x in specimen.observations if x.part == part)
        ),
        key=lambda o: o.arc_mm,
    )
    assert teeth[behind.part].name == "M1"


def test_a_hint_of_generation_alone() -> None:
    observations, truth = human.observe(human.ADULT)
    part = next(p for p, key in truth.items() if key == ("premolar", 4, "permanent"))
    naming = name_teeth(observations, KNOWN, fixed={part: NameHint(generation="deciduous")})
    tooth = next(t for t in naming.teeth if t.part == part)
    assert (tooth.name, tooth.generation) == ("dP4", "deciduous")
    assert tooth.generation_confidence == 1.0


def test_emergence_follows_the_margin() -> None:
    observations, _ = human.observe(human.SIX_YEARS)
    states = {0.0: "in_crypt", 0.05: "in_crypt", 0.3: "erupting", 0.6: "erupting", 0.85: "erupted"}
    for fraction, state in states.items():
        changed = [replace(o, emergence_fraction=fraction) if o.emergence_fraction == 0.9 else o for o in observations]
        teeth = {t.part: t for t in name_teeth(changed, KNOWN).teeth}
        part = next(o.part for o in observations if o.emergence_fraction == 0.9)
        assert teeth[part].emergence == state


def test_what_shows_little_is_in_place_in_an_adult_and_not_in_a_child() -> None:
    def state(ages: dict[tuple[str, int, str], tuple[float, float]] | object, place: tuple[str, int, str]) -> str:
        observations, truth = human.observe(ages)  # type: ignore[arg-type]
        part = next(p for p, key in truth.items() if key == place)
        changed = [replace(o, emergence_fraction=0.6) if truth[o.part] == place else o for o in observations]
        return next(t.emergence for t in name_teeth(changed, KNOWN).teeth if t.part == part)

    assert state(human.ADULT, ("molar", 1, "permanent")) == "erupted"
    assert state(human.SIX_YEARS, ("molar", 1, "permanent")) == "erupting"


def test_a_successor_under_its_standing_deciduous_tooth_is_held_to_lie_in_its_crypt() -> None:
    observations, truth = human.observe(human.SIX_YEARS)
    place = ("premolar", 4, "permanent")
    parts = [p for p, key in truth.items() if key == place]
    changed = [replace(o, emergence_fraction=0.15) if o.part in parts else o for o in observations]
    teeth = {t.part: t for t in name_teeth(changed, KNOWN).teeth}
    paired = [p for p in parts if teeth[p].replaces is not None]
    assert paired
    assert all(teeth[p].emergence == "in_crypt" for p in paired)


def test_names_are_written_one_way() -> None:
    assert tooth_name("upper", "premolar", 3, "deciduous") == "dP3"
    assert tooth_name("lower", "canine", 1, "permanent") == "c"
    assert tooth_name("lower", "molar", 2, "permanent") == "m2"
