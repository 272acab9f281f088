"""The dentitions: formulas of real patterns, replacement, clearances, growth, occlusion."""

from __future__ import annotations

import numpy as np
import pytest

from ossicle.errors import OssicleError
from ossicle.practice.animals import animal, animals
from ossicle.practice.making import presets
from ossicle.practice.specimen import Anatomy, anatomy
from ossicle.practice.teeth import clearance
from ossicle.practice.truth import formula

# Published formulas that the invented patterns follow (genus, source):
PATTERNS = {
    "carnivore-like": ("I3/3 C1/1 P4/4 M2/3", 42),  # Canis; veterinary dentistry lists
    "small-placental": ("I3/3 C1/1 P4/4 M3/3", 44),  # Talpa; the generalised placental number
    "metatherian": ("I5/4 C1/1 P3/3 M4/4", 50),  # Didelphis; Beddard 1902, Mammalia
    "browser-like": ("I0/3 C0/1 P3/3 M3/3", 32),  # Bos; Merck Veterinary Manual
    "diprotodont": (
        "I3/1 C0/0 P1/1 M4/4",
        28,
    ),  # Macropus, functional in the adult; British Museum guide 1892
    "rodent-like": ("I1/1 C0/0 P1/1 M3/3", 20),  # Cavia (value from memory)
    "bat-like": ("I2/3 C1/1 P2/3 M3/3", 36),  # as several Vespertilionidae (value from memory)
    "edentulous": ("I0/0 C0/0 P0/0 M0/0", 0),
}


@pytest.fixture(scope="module", params=sorted(PATTERNS))
def grown(request: pytest.FixtureRequest) -> Anatomy:
    return anatomy(request.param, "adult", 5)


@pytest.fixture(scope="module")
def young() -> Anatomy:
    return anatomy("carnivore-like", "juvenile", 6)


def test_there_is_a_pattern_for_every_animal() -> None:
    assert set(PATTERNS) == set(animals())
    assert len(presets()) == 5 * len(PATTERNS)


def test_adults_have_the_formula_of_their_pattern(grown: Anatomy) -> None:
    text, total = PATTERNS[grown.animal.name]
    assert formula(grown.teeth)["text"] == text
    assert len(grown.teeth) == total
    assert all(t.emergence == "erupted" and t.generation != "deciduous" for t in grown.teeth)


def test_no_two_teeth_overlap_and_the_jaws_nearly_meet(grown: Anatomy) -> None:
    for i, t in enumerate(grown.teeth):
        assert clearance(t, grown.teeth[i + 1 :], coarse=2) > -0.03
    assert grown.gape_deg < 6
    if grown.teeth:
        upper, lower = ([t for t in grown.teeth if t.jaw == j] for j in ("upper", "lower"))
        assert min(clearance(t, lower, coarse=2) for t in upper) < 0.5


def test_both_generations_fit_in_a_young_jaw(young: Anatomy) -> None:
    for i, t in enumerate(young.teeth):
        assert clearance(t, young.teeth[i + 1 :], coarse=2) > -0.03


def test_successors_lie_beneath_the_teeth_that_they_replace(young: Anatomy) -> None:
    pairs = [t for t in young.teeth if t.replaces is not None]
    assert len(pairs) > 15
    for t in pairs:
        before = t.replaces
        assert before is not None
        assert before.replaced_by is t
        assert (before.jaw, before.side, before.kind, before.position) == (t.jaw, t.side, t.kind, t.position)
        assert (before.generation, t.generation) == ("deciduous", "permanent")
        up = 1 if t.jaw == "upper" else -1
        middle = [x.to_skull[1, :3] @ x.model.figures.centroid + x.to_skull[1, 3] for x in (t, before)]
        assert up * (middle[0] - middle[1]) > 0.3


def test_what_is_replaced() -> None:
    """Metatherians replace the last premolar only (van Nievelt & Smith 2005, Paleobiology 31:324); molars
    and P1 never.
    """
    for name in animals():
        beast = animal(name)
        replaced = {(x.kind, x.position) for x in beast.loci if x.first is not None}
        assert not any(kind == "molar" for kind, _ in replaced)
        if beast.pattern == "metatherian":
            assert replaced == {("premolar", 3)}
        assert ("premolar", 1) not in replaced


def test_generations_have_their_names(young: Anatomy) -> None:
    for t in young.teeth:
        if t.kind == "molar":
            assert t.generation == "permanent"
        if (t.kind, t.position) == ("premolar", 1):
            assert t.generation == "unreplaced"
        assert t.name.startswith("d") == (t.generation == "deciduous")
        assert t.name.lstrip("d")[0].isupper() == (t.jaw == "upper")


def test_a_newborn_has_only_unerupted_teeth_and_the_first_caps_of_molars() -> None:
    a = anatomy("carnivore-like", "newborn", 3)
    assert all(t.emergence == "in_crypt" for t in a.teeth)
    deciduous = [t for t in a.teeth if t.generation == "deciduous"]
    assert len(deciduous) == 28
    molars = [t for t in a.teeth if t.kind == "molar"]
    assert molars
    assert all(t.position == 1 and t.state.crown < 0.6 for t in molars)


def test_growth_only_goes_forward() -> None:
    """Emergence and formation of a locus never go back from stage to stage."""
    seen: dict[tuple[str, str, str, int], float] = {}
    for stage in ("newborn", "juvenile", "subadult", "adult"):
        a = anatomy("metatherian", stage, 2, jitter=0.0)
        for t in a.teeth:
            if t.generation != "deciduous":
                progress = t.state.crown + t.state.root + t.fraction
                assert progress >= seen.get(t.key, 0.0) - 1e-9
                seen[t.key] = progress
        sizes = a.grow.scale(0.0)
        assert 0.5 < float(sizes) <= 1.05


def test_emergence_is_the_share_of_the_crown_beyond_the_margin(young: Anatomy) -> None:
    for t in young.teeth:
        beyond = np.clip((t.shape.height - max(t.crest, 0.0)) / t.shape.enamel_height, 0, 1)
        assert t.fraction == pytest.approx(beyond, abs=0.06)
        if t.emergence == "in_crypt":
            assert t.crest >= t.shape.height * 0.94


def test_left_and_right_differ_a_little_and_lie_on_their_sides(young: Anatomy) -> None:
    for t in young.teeth:
        x = float(t.points()[:, 0].mean())
        assert (x > 0) == (t.side == "left")
    pair = {t.side: t for t in young.teeth if (t.jaw, t.name) == ("upper", "dP4")}
    assert pair["left"].shape.length != pair["right"].shape.length


def test_old_animals_are_worn() -> None:
    old, grown = (anatomy("small-placental", s, 1) for s in ("old", "adult"))
    height = {
        s: np.mean([t.model.figures.crown_height for t in a.teeth if t.kind == "molar"])
        for s, a in (("old", old), ("adult", grown))
    }
    assert height["old"] < 0.75 * height["adult"]


def test_angular_process_is_turned_by_the_stated_angle() -> None:
    for name, low, high in (("metatherian", 70, 86), ("carnivore-like", 2, 14)):
        a = anatomy(name, "adult", 1)
        for side, k in (("left", 1), ("right", -1)):
            d = a.dentaries[side].landmarks
            v = d["angular tip"] - d["angular base"]
            inward = np.degrees(np.arctan2(-k * v[0], -v[2]))
            assert low < inward < high
            assert inward == pytest.approx(a.inflection[side], abs=0.5)


def test_unknown_names_are_refused_in_one_sentence() -> None:
    with pytest.raises(OssicleError, match="choose one of"):
        animal("unicorn")
