"""Unknown animals: candidates, weights of formulas, templates from counts."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ossicle.anatomy import (
    Clade,
    Counts,
    Formula,
    candidate_dentitions,
    formula_log_prior,
    load_dentitions,
    plausible_formulas,
    template_from_formula,
)
from ossicle.errors import OssicleError

counts = st.integers(0, 12)
quadrant = st.builds(Counts, I=counts, C=st.integers(0, 1), P=counts, M=counts)


@pytest.mark.parametrize("clade", [None, "placental", "metatherian", "monotreme"])
def test_candidates_are_weighted_and_unlike(clade: Clade | None) -> None:
    found = candidate_dentitions(clade)
    assert sum(candidate.weight for candidate in found) == pytest.approx(1)
    weights = [candidate.weight for candidate in found]
    assert weights == sorted(weights, reverse=True)
    loci = [(c.dentition.upper, c.dentition.lower, c.dentition.transient) for c in found]
    assert len(set(loci)) == len(loci)
    assert all(clade in (None, candidate.dentition.clade) for candidate in found)


def test_every_dentition_is_among_the_candidates_by_its_loci() -> None:
    loci = {(c.dentition.upper, c.dentition.lower) for c in candidate_dentitions()}
    assert all((entry.upper, entry.lower) in loci for entry in load_dentitions().values())


def test_a_family_weighs_the_same_however_many_genera_are_listed() -> None:
    # three genera of Muridae and Cricetidae listed, or one of Erinaceidae: one family each
    families = {entry.family for entry in load_dentitions().values()}
    hedgehog = next(c for c in candidate_dentitions() if c.dentition.name == "Erinaceus")
    assert hedgehog.weight == pytest.approx(1 / len(families))


def test_known_formulas_weigh_more_than_their_neighbours() -> None:
    dog = formula_log_prior(Formula.parse("3.1.4.2/3.1.4.3"))
    neighbour = formula_log_prior(Formula.parse("3.1.4.2/3.1.4.4"))
    far = formula_log_prior(Formula.parse("6.1.7.2/6.1.4.4"))
    assert dog > neighbour > far


def test_the_clade_narrows_the_prior() -> None:
    opossum = Formula.parse("5.1.3.4/4.1.3.4")
    assert (
        formula_log_prior(opossum, "metatherian") > formula_log_prior(opossum) > formula_log_prior(opossum, "placental")
    )


def test_the_law_of_one_known_formula() -> None:
    # the only living monotremes are toothless, so the mixture has one part: ((1-r)/(1+r))^8 r^n with r = 0.1
    centre = 8 * math.log(0.9 / 1.1)
    assert formula_log_prior(Formula.parse("0.0.0.0"), "monotreme") == pytest.approx(centre)
    assert formula_log_prior(Formula.parse("0.0.0.3/1.0.0.0"), "monotreme") == pytest.approx(centre + 4 * math.log(0.1))


@given(quadrant, quadrant)
def test_no_formula_is_excluded(upper: Counts, lower: Counts) -> None:
    log = formula_log_prior(Formula.symmetric(upper, lower))
    assert math.isfinite(log)
    assert log < 0


def test_the_list_of_plausible_formulas() -> None:
    found = plausible_formulas("metatherian")
    assert sum(entry.weight for entry in found) == pytest.approx(1)
    assert [entry.weight for entry in found] == sorted((entry.weight for entry in found), reverse=True)
    texts = [str(entry.formula) for entry in found]
    assert "I5/4 C1/1 P3/3 M4/4" in texts[:3]
    assert "I4/4 C1/1 P3/3 M4/4" in texts  # the variant of Caenolestes: 48 teeth
    assert "I5/4 C1/1 P3/3 M5/4" in texts  # one extra molar
    assert "I5/5 C1/1 P3/3 M5/4" not in texts


@pytest.mark.parametrize(
    ("text", "clade", "loci"),
    [
        ("2.1.2.3", "placental", "I1-2 C P3-4 M1-3 / i1-2 c p3-4 m1-3"),
        ("3.1.3.1/3.1.2.1", "placental", "I1-3 C P2-4 M1 / i1-3 c p3-4 m1"),
        ("3.1.4.3/3.1.4.3", "placental", "I1-3 C P1-4 M1-3 / i1-3 c p1-4 m1-3"),
        ("1.0.0.3/1.0.0.3", "placental", "I1 M1-3 / i1 m1-3"),
        ("3.1.5.3/3.1.0.3", "placental", "I1-3 C P1-5 M1-3 / i1-3 c m1-3"),
        ("3.1.1.4/1.0.1.4", "metatherian", "I1-3 C P3 M1-4 / i1 p3 m1-4"),
        ("5.1.3.4/4.1.2.4", "metatherian", "I1-5 C P1-3 M1-4 / i1-4 c p2-3 m1-4"),
    ],
)
def test_loci_read_off_from_counts(text: str, clade: Clade, loci: str) -> None:
    made = template_from_formula(Formula.parse(text), clade)
    assert str(made.adult_list) == loci
    assert made.formula == made.published == Formula.parse(text)
    assert made.status == made.loci_status == "M"
    assert made.family == "unknown"


def test_replacement_of_a_template_follows_the_clade() -> None:
    placental = template_from_formula(Formula.parse("3.1.4.2/3.1.4.3"), "placental")
    assert str(placental.deciduous_formula) == "dI3/3 dC1/1 dP3/3"
    metatherian = template_from_formula(Formula.parse("5.1.3.4/4.1.3.4"), "metatherian")
    assert str(metatherian.deciduous_formula) == "dI0/0 dC0/0 dP1/1"


@given(quadrant, quadrant, st.sampled_from(["placental", "metatherian", "monotreme"]))
def test_any_counts_give_a_template_of_the_same_counts(upper: Counts, lower: Counts, clade: Clade) -> None:
    formula = Formula.symmetric(upper, lower)
    assert template_from_formula(formula, clade).formula == formula


@pytest.mark.parametrize(
    ("formula", "said"),
    [
        (Formula(Counts(I=1), Counts(I=2), Counts(), Counts()), "differ; give one side with formula.half"),
        (Formula.parse("dI3/3 M1/1"), "counts deciduous teeth"),
    ],
)
def test_what_has_no_single_adult_side_is_refused(formula: Formula, said: str) -> None:
    for function in (formula_log_prior, lambda f: template_from_formula(f, "placental")):
        with pytest.raises(OssicleError) as caught:
            function(formula)
        assert said in str(caught.value)


def test_two_canines_in_a_quadrant_have_no_loci() -> None:
    with pytest.raises(OssicleError, match="2 canines are counted in one quadrant"):
        template_from_formula(Formula.parse("3.2.4.2/3.1.4.3"), "placental")
