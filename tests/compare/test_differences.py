"""Two accounts with planted differences: each is told, and nothing else; evidence stands in both."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from growing import grown
from known import account_of, specimen
from scipy import stats

from ossicle.compare import (
    Compared,
    compare_two,
    comparison_text,
    comparison_to_dict,
    counterparts,
    counterparts_csv,
    differences_csv,
    limit_for,
    locus_states,
    quantities,
)
from ossicle.practice.specimen import Anatomy

PLANTED = {"left incisive foramen": 1.3, "zygomatic breadth": 1.05, "foramen magnum": 0.65}


def told(a: Compared, b: Compared) -> set[str]:
    return {d.subject for d in compare_two(a, b).differences}


def test_the_same_specimen_does_not_differ_from_itself(adult: Anatomy) -> None:
    one = specimen("one", adult)
    found = compare_two(one, one)
    assert found.differences == ()
    assert found.measures
    assert "No difference was found" in comparison_text(found)


def test_measured_twice_hardly_anything_is_told(adult: Anatomy) -> None:
    # Errors are drawn from those stated: about one pair in twenty may err by chance, two of eight hardly ever.
    pairs = [
        told(specimen("one", adult, noise=2 * seed), specimen("two", adult, noise=2 * seed + 1)) for seed in range(8)
    ]
    assert sum(bool(found) for found in pairs) <= 1
    assert max(len(found) for found in pairs) <= 1


@pytest.mark.parametrize("seed", range(4))
def test_every_planted_difference_is_told_and_no_other(adult: Anatomy, seed: int) -> None:
    a = specimen("one", adult, noise=2 * seed)
    b = specimen("two", adult, noise=2 * seed + 1, changed=PLANTED, without=("upper left M2", "lower right m3"))
    assert told(a, b) == {
        "left upper M2",
        "right lower m3",
        "area of left incisive foramen",
        "zygomatic breadth",
        "area of foramen magnum",
    }


def test_relative_to_size_a_scaled_skull_is_alike(adult: Anatomy) -> None:
    small, large = specimen("small", adult, noise=1), specimen("large", adult, noise=2, scale=1.2)
    measures = [m for m in compare_two(small, large).measures if m.power]
    assert all(m.differs for m in measures if m.name in ("condylobasal length", "zygomatic breadth"))
    assert not any(m.relative_differs for m in measures)
    opening = next(m for m in measures if m.name == "area of left incisive foramen")
    assert opening.reference == "palatilar length"
    assert opening.change == pytest.approx(0.44, abs=0.15)  # 1.2 squared, by hand
    assert opening.relative_change == pytest.approx(0.0, abs=0.12)


def test_errors_of_ratios_agree_with_simulation(adult: Anatomy) -> None:
    a, b = quantities(specimen("a", adult)), quantities(specimen("b", adult, changed=PLANTED))
    one, two, ref = a["area of left incisive foramen"], b["area of left incisive foramen"], a["palatilar length"]
    m = next(
        x
        for x in compare_two(specimen("a", adult), specimen("b", adult, changed=PLANTED)).measures
        if x.name == one.name
    )
    rng = np.random.default_rng(0)
    draw = [q.value + q.error * rng.normal(size=200_000) for q in (one, two, ref, b["palatilar length"])]
    simulated = (draw[1] / draw[3] ** 2) / (draw[0] / draw[2] ** 2) - 1
    assert m.relative_change == pytest.approx(simulated.mean(), abs=0.01)
    assert m.relative_error == pytest.approx(simulated.std(), rel=0.05)


def test_limit_is_sidaks() -> None:
    # Sidak 1967: 1 - (1 - a)^(1/n). For one comparison the familiar 1.96.
    assert limit_for(1) == pytest.approx(1.959964, abs=1e-5)
    n = 300
    assert (1 - 2 * stats.norm.sf(limit_for(n))) ** n == pytest.approx(0.95)


def test_growth_is_told_by_locus() -> None:
    young, old = grown(0.35, name="juvenile", scatter=0), grown(1.0, name="adult", scatter=0)
    found = compare_two(young, old)
    text = " ".join(comparison_text(found).split())
    assert "juvenile retains dI1–dI3, dC and dP2–dP4 above" in text
    assert "replaced in adult" in text
    # The same, seen from the other side
    back = " ".join(comparison_text(compare_two(old, young)).split())
    assert "juvenile retains" in back
    states = next(d for d in found.differences if d.subject == "left upper P3")
    assert states.values == ("dP3 in place, P3 in its crypt", "P3 in place")
    assert states.topic == "replacement"


def test_an_extra_and_a_missing_tooth_are_told_with_their_side() -> None:
    whole, gap = (
        grown(1.0, name="whole"),
        grown(1.0, name="gap", lost=("upper left M2", "upper right M2", "lower left m3")),
    )
    text = " ".join(comparison_text(compare_two(whole, gap)).split())
    assert "gap lacks M2 above, m3 below on the left" in text or "gap lacks M2 and m3 on the left" in text


def test_every_difference_has_evidence_in_both(juvenile: Anatomy, adult: Anatomy) -> None:
    a, b = specimen("juvenile", juvenile, noise=1, scale=0.8), specimen("adult", adult, noise=2)
    found = compare_two(a, b)
    assert len(found.differences) > 10
    for d in found.differences:
        for s, e in zip((a, b), d.evidence, strict=True):
            assert e.view is not None
            assert e.view.caption
            assert set(e.parts) <= {p.part for p in s.account.parts}
        if d.states is not None:
            assert d.evidence[0].parts
            assert d.evidence[1].parts


def test_uncertain_names_are_told_so(adult: Anatomy) -> None:
    account = account_of(adult)
    doubtful = tuple(replace(t, confidence=0.4) if t.name == "M2" and t.side == "left" else t for t in account.teeth)
    a = Compared("a", replace(account, teeth=doubtful))
    b = Compared("b", account_of(adult, without=("upper left M2",)))
    assert "M2? on the left" in comparison_text(compare_two(a, b))


def test_counterparts_name_what_is_missing(juvenile: Anatomy, adult: Anatomy) -> None:
    both = [specimen("juvenile", juvenile), specimen("adult", adult, without=("upper left M1",))]
    by = {(c.kind, c.label): c for c in counterparts(both)}
    assert by["tooth", "left upper M1"].missing(both) == ("adult",)
    assert by["tooth", "left upper dP3"].missing(both) == ("adult",)
    assert by["bone", "left dentary"].missing(both) == ()
    assert by["opening", "left incisive foramen"].held[0]["area_mm2"] > 0
    assert np.shape(by["landmark", "basion"].held[1]) == (3,)
    across = {c.name: c for c in counterparts(both, across_generations=True) if c.side == "left" and c.kind == "tooth"}
    assert [t.name for t in across["upper dP3 / P3"].held] == ["dP3", "P3"]
    table = counterparts_csv(both).splitlines()
    assert table[0] == "kind,name,side,part in juvenile,part in adult,missing in"
    assert len(table) == len(counterparts(both)) + 1


def test_two_teeth_of_one_name_the_surer_holds_the_locus(adult: Anatomy) -> None:
    account = account_of(adult)
    twin = next(t for t in account.teeth if (t.jaw, t.side, t.name) == ("upper", "left", "M1"))
    doubled = replace(account, teeth=(*account.teeth, replace(twin, part=999, confidence=0.3)))
    states = locus_states([Compared("a", account), Compared("b", doubled)])
    one, two = states["upper", "left", "molar", 1]
    assert two.adult is not None
    assert two.adult.part == twin.part
    assert [t.part for t in two.more] == [999]
    assert one.more == ()


def test_as_data(adult: Anatomy) -> None:
    found = compare_two(specimen("a", adult), specimen("b", adult, changed=PLANTED))
    data = json.loads(json.dumps(comparison_to_dict(found), allow_nan=False))
    assert data["schema"] == "ossicle-comparison/1"
    assert len(data["differences"]) == len(differences_csv(found).splitlines()) - 1 == 3
    assert data["differences"][0]["evidence"][1]["view"]["caption"]


def test_cautions(adult: Anatomy) -> None:
    account = account_of(adult)
    lost = replace(account, pose=replace(account.pose, found=False), scan=replace(account.scan, handedness="assumed"))
    coarse = replace(account, scan=replace(account.scan, spacing_mm_zyx=(0.3, 0.3, 0.3)))
    notes = " ".join(compare_two(Compared("a", lost), Compared("b", coarse)).notes)
    assert "pose of a was not found" in notes
    assert "scan of a is mirrored" in notes
    assert "voxels differ" in notes
