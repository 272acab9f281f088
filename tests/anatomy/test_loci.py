"""Loci, tooth names and lists of teeth."""

from dataclasses import FrozenInstanceError

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ossicle.anatomy import CLASS_LETTERS, JAWS, SIDES, TOOTH_CLASSES, Formula, Locus, LocusList, ToothName
from ossicle.errors import OssicleError


def name(text: str) -> ToothName:
    return ToothName.parse(text)


def read_or_sentence(text: str) -> ToothName | str:
    try:
        return ToothName.parse(text)
    except OssicleError as error:
        return str(error)


loci = st.builds(
    lambda jaw, side, place: Locus(jaw, side, *place),
    st.sampled_from(JAWS),
    st.sampled_from([None, *SIDES]),
    st.one_of(
        st.tuples(st.sampled_from(["incisor", "premolar", "molar"]), st.integers(1, 99)),
        st.just(("canine", 1)),
    ),
)
teeth = st.builds(
    lambda locus, deciduous: ToothName(
        locus, "deciduous" if deciduous and locus.tooth_class != "molar" else "permanent"
    ),
    loci,
    st.booleans(),
)


def test_the_letters_of_the_classes() -> None:
    assert CLASS_LETTERS == {"incisor": "I", "canine": "C", "premolar": "P", "molar": "M"}
    assert tuple(CLASS_LETTERS) == TOOTH_CLASSES


@pytest.mark.parametrize(
    ("text", "jaw", "tooth_class", "position", "generation", "written"),
    [
        ("P4", "upper", "premolar", 4, "permanent", "P4"),
        ("p4", "lower", "premolar", 4, "permanent", "p4"),
        ("M1", "upper", "molar", 1, "permanent", "M1"),
        ("m1", "lower", "molar", 1, "permanent", "m1"),
        ("C", "upper", "canine", 1, "permanent", "C"),
        ("C1", "upper", "canine", 1, "permanent", "C"),
        ("c", "lower", "canine", 1, "permanent", "c"),
        ("I2", "upper", "incisor", 2, "permanent", "I2"),
        ("dP3", "upper", "premolar", 3, "deciduous", "dP3"),
        ("DP3", "upper", "premolar", 3, "deciduous", "dP3"),
        ("dp3", "lower", "premolar", 3, "deciduous", "dp3"),
        ("Dp3", "lower", "premolar", 3, "deciduous", "dp3"),
        ("dI2", "upper", "incisor", 2, "deciduous", "dI2"),
        ("dC", "upper", "canine", 1, "deciduous", "dC"),
        ("dc1", "lower", "canine", 1, "deciduous", "dc"),
        ("Pm4", "upper", "premolar", 4, "permanent", "P4"),
        ("PM4", "upper", "premolar", 4, "permanent", "P4"),
        ("pm4", "lower", "premolar", 4, "permanent", "p4"),
        ("P 4", "upper", "premolar", 4, "permanent", "P4"),
        (" P4 ", "upper", "premolar", 4, "permanent", "P4"),
        ("P⁴", "upper", "premolar", 4, "permanent", "P4"),
        ("p⁴", "upper", "premolar", 4, "permanent", "P4"),
        ("P₄", "lower", "premolar", 4, "permanent", "p4"),
        ("P^4", "upper", "premolar", 4, "permanent", "P4"),
        ("P_4", "lower", "premolar", 4, "permanent", "p4"),
        ("dP<sub>4</sub>", "lower", "premolar", 4, "deciduous", "dp4"),
        ("upper M1", "upper", "molar", 1, "permanent", "M1"),
        ("lower M1", "lower", "molar", 1, "permanent", "m1"),
        ("lower m1", "lower", "molar", 1, "permanent", "m1"),
        ("I99", "upper", "incisor", 99, "permanent", "I99"),
    ],
)
def test_every_spelling_is_read_and_one_is_written(
    text: str, jaw: str, tooth_class: str, position: int, generation: str, written: str
) -> None:
    tooth = name(text)
    assert (tooth.jaw, tooth.tooth_class, tooth.position, tooth.generation) == (
        jaw,
        tooth_class,
        position,
        generation,
    )
    assert tooth.side is None
    assert str(tooth) == written


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("upper left dP3", "upper left dP3"),
        ("left dP3", "upper left dP3"),
        ("L dP3", "upper left dP3"),
        ("R p4", "lower right p4"),
        ("right lower M2", "lower right m2"),
        ("lower right M2", "lower right m2"),
        ("M2", "upper M2"),
    ],
)
def test_side_and_jaw_in_words(text: str, words: str) -> None:
    assert name(text).in_words() == words


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "this is not the name of a tooth"),
        ("X4", "this is not the name of a tooth"),
        ("P4 and P3", "this is not the name of a tooth"),
        ("P-4", "this is not the name of a tooth"),
        ("ddP4", "this is not the name of a tooth"),
        ("upper left upper P4", "this is not the name of a tooth"),
        ("P", "the premolar has no position"),
        ("m", "the molar has no position"),
        ("dI", "the incisor has no position"),
        ("P0", "no premolar has position 0"),
        ("P100", "no premolar has position 100; count from 1 to 99"),
        ("C2", "no canine has position 2; count from 1 to 1"),
        ("dM1", "molars have no deciduous generation, so dM1 names no tooth"),
        ("dm1", "molars have no deciduous generation, so dm1 names no tooth"),
        ("upper p4", "the name says both upper and lower"),
        ("upper P₄", "the name says both upper and lower"),
        ("lower P⁴", "the name says both upper and lower"),
    ],
)
def test_what_is_no_name_is_refused_in_one_sentence(text: str, said: str) -> None:
    with pytest.raises(OssicleError) as caught:
        name(text)
    assert str(caught.value).startswith(f"tooth name {text!r}: {said}")
    assert caught.value.mend in (
        "write a name such as P4, dP3, i2 or C",
        "count from 1 to 99",
        "count from 1 to 1",
        "deciduous cheek teeth are deciduous premolars, such as dP4",
    )


@given(teeth)
def test_names_read_back(tooth: ToothName) -> None:
    assert name(str(tooth)) == tooth.on(None)
    assert name(tooth.in_words()) == tooth


@given(st.text(alphabet="dDIiCcPpMm0123456789^_ ²₂upperlowftRLgh", max_size=14))
def test_any_text_is_a_name_or_refused(text: str) -> None:
    found = read_or_sentence(text)
    if isinstance(found, ToothName):
        assert name(str(found)) == found.on(None)
    else:
        assert "\n" not in found


def test_an_unreplaced_tooth_is_written_without_d() -> None:
    tooth = ToothName(Locus("upper", "left", "premolar", 1), "unreplaced")
    assert str(tooth) == "P1"
    assert not tooth.deciduous


def test_on_changes_the_side_only() -> None:
    assert name("left dP3").on("right") == name("right dP3")
    assert name("left dP3").on(None) == name("dP3")


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        (("middle", None, "molar", 1), "no jaw is called 'middle'; say upper or lower"),
        (("upper", "middle", "molar", 1), "no side is called 'middle'; say right or left"),
        (
            ("upper", None, "tusk", 1),
            "no tooth class is called 'tusk'; say incisor, canine, premolar or molar",
        ),
        (("upper", None, "molar", 0), "no molar has position 0"),
    ],
)
def test_a_locus_outside_the_vocabulary_is_refused(fields: tuple[str, str, str, int], said: str) -> None:
    with pytest.raises(OssicleError) as caught:
        Locus(*fields)  # type: ignore[arg-type]
    assert str(caught.value).startswith(said)


def test_names_do_not_change() -> None:
    tooth = ToothName(Locus("upper", None, "molar", 1))
    assert tooth.generation == "permanent"
    for thing, field in ((tooth, "generation"), (tooth.locus, "position"), (LocusList((), ()), "upper")):
        with pytest.raises(FrozenInstanceError):
            setattr(thing, field, None)


def test_a_generation_outside_the_vocabulary_is_refused() -> None:
    with pytest.raises(OssicleError, match=r"^no generation is called 'third'; say deciduous, permanent or unreplaced"):
        ToothName(Locus("upper", None, "molar", 1), "third")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "upper", "lower"),
    [
        ("I1-3 C P2-4 M1 / i1-3 c p3-4 m1", "I1 I2 I3 C P2 P3 P4 M1", "i1 i2 i3 c p3 p4 m1"),
        ("I1-3 C1 P2-4 M1 / I1-3 C1 P3-4 M1", "I1 I2 I3 C P2 P3 P4 M1", "i1 i2 i3 c p3 p4 m1"),
        ("I¹⁻³ C¹ P²⁻⁴ M¹ I₁₋₃ C₁ P₃₋₄ M₁", "I1 I2 I3 C P2 P3 P4 M1", "i1 i2 i3 c p3 p4 m1"),
        ("P2, P3, P4; p3, p4", "P2 P3 P4", "p3 p4"),
        ("P2, 4 M1-2, 4", "P2 P4 M1 M2 M4", ""),
        ("P²,⁴ / P₂,₄", "P2 P4", "p2 p4"),
        ("dP2-4 / dp2-4", "dP2 dP3 dP4", "dp2 dp3 dp4"),
        ("DI1–2 DC DP3–4", "dI1 dI2 dC dP3 dP4", ""),
        ("Pm3-4/pm4", "P3 P4", "p4"),
        ("/ i1 c", "", "i1 c"),
        ("m1", "", "m1"),
        ("M3-3", "M3", ""),
    ],
)
def test_lists_of_teeth(text: str, upper: str, lower: str) -> None:
    listed = LocusList.parse(text)
    assert " ".join(map(str, listed.upper)) == upper
    assert " ".join(map(str, listed.lower)) == lower
    assert listed.row("upper") == listed.upper
    assert listed.row("lower") == listed.lower


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "it names no teeth"),
        ("/", "it names no teeth"),
        ("I1 / i1 / i1", "it has more than two rows"),
        ("I1 I1", "I1 is named twice"),
        ("I1-2 I2-3", "I2 is named twice"),
        ("i1 / i1", "i1 is a lower tooth but stands before the stroke"),
        ("I₁ / i1", "I_1 is a lower tooth but stands before the stroke"),
        ("I1 / I¹", "I^1 is an upper tooth but stands behind the stroke"),
        ("I", "I has no number"),
        ("P4-2", "the range 4-2 runs backwards"),
        ("3 C", "'3 C' names no tooth"),
        ("I1 tusk", "'tusk' names no tooth"),
        ("I1 " + "x" * 30, f"'{'x' * 19}…' names no tooth"),
        ("I¹,₂" + " C" * 20, "'_2 C C C C C C C C …' is raised or lowered"),
        ("C1-2", "no canine has position 2"),
        ("I0", "no incisor has position 0"),
        ("I1-9999", "no incisor has position 100"),
        ("dM1-2", "molars have no deciduous generation"),
        ("P²,₄", "'_4' is raised or lowered unlike the numbers before it"),
    ],
)
def test_what_is_no_list_is_refused_in_one_sentence(text: str, said: str) -> None:
    with pytest.raises(OssicleError) as caught:
        LocusList.parse(text)
    assert str(caught.value).startswith(f"list of teeth {text!r}: {said}")
    assert caught.value.mend is not None
    assert caught.value.mend.startswith(("write it like I1-3", "name each tooth once", "count from", "deciduous"))


def test_a_list_is_written_with_runs_drawn_together() -> None:
    listed = LocusList.parse("dI1 dI2 C P1 P3 P4 M1 / m2 m3")
    assert str(listed) == "dI1-2 C P1 P3-4 M1 / m2-3"
    assert str(LocusList.parse("P2 / p3")) == "P2 / p3"


def test_a_run_breaks_at_class_generation_and_order() -> None:
    assert str(LocusList.parse("P3 dP4 M1 M3 M2 m1")) == "P3 dP4 M1 M3 M2 / m1"


def test_a_list_counts_to_a_formula() -> None:
    # the cat: upper premolars P2 P3 P4, lower p3 p4, 30 teeth (an encyclopaedia article on dentition)
    cat = LocusList.parse("I1-3 C P2-4 M1 / i1-3 c p3-4 m1")
    assert cat.formula() == Formula.parse("3.1.3.1/3.1.2.1 = 30")
    assert str(LocusList.parse("dI1-2 dC dP3-4 M1 / dp4").formula()) == "dI2/0 dC1/0 dP2/1 M1/0"


def test_a_list_refuses_a_tooth_of_the_other_jaw() -> None:
    with pytest.raises(OssicleError, match="p4 is not a tooth of the upper jaw"):
        LocusList((name("p4"),), ())
    with pytest.raises(OssicleError, match="P4 is not a tooth of the lower jaw"):
        LocusList((), (name("P4"),))


@given(st.lists(teeth.map(lambda tooth: tooth.on(None)), min_size=1, max_size=12, unique=True))
def test_lists_read_back(found: list[ToothName]) -> None:
    listed = LocusList.of(found)
    assert LocusList.parse(str(listed)) == listed
    assert listed.formula().total == 2 * len(found)
