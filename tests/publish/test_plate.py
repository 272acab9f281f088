"""Plates: the scale bar against a known length, leaders that do not cross, the same bytes, bad descriptions."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from ossicle.cli import main
from ossicle.compare import Compared
from ossicle.errors import OssicleError
from ossicle.publish.drawing import Camera, Piece, draw, normals_of, project
from ossicle.publish.leaders import slots_for
from ossicle.publish.plate import Laid, lay_out, plate_files
from ossicle.publish.plate_text import read_plate
from ossicle.publish.stage import STANDARD, Stage, standard_view
from ossicle.publish.surfaces import Surface
from ossicle.reading.records import Part

LABELLED = {
    "width": "double",
    "dpi": 150,
    "panel": [
        {"view": "lateral left", "bone": "veiled", "label": "upper teeth"},
        {"view": "left dentary medial", "bone": "veiled", "label": ["lower teeth"]},
        {"finding": "dentition/upper-left/in-crypts", "magnify": 1.5},
    ],
}


@pytest.fixture(scope="session")
def laid(specimen: Compared) -> Laid:
    return lay_out(read_plate(LABELLED, "here"), {"a": specimen}, budget=20_000)


def box(low: tuple[float, float, float], high: tuple[float, float, float]) -> Surface:
    import trimesh

    made = trimesh.creation.box(bounds=[low, high])
    return Surface(np.asarray(made.vertices, np.float32), np.asarray(made.faces, np.uint32))


def piece(surface: Surface, **more: object) -> Piece:
    return Piece(1, surface, normals_of(surface), (0.8, 0.4, 0.2), **more)  # type: ignore[arg-type]


@pytest.mark.parametrize("look", [(-1.0, 0, 0), (0, -1.0, 0), (0, 0, -1.0)])
def test_a_box_is_as_wide_as_it_is(look: tuple[float, float, float]) -> None:
    up = (0.0, 0.0, 1.0) if look[1] else (0.0, 1.0, 0.0)
    camera = Camera(look, up, (0, 0, 0), 0.1, 301, 201)
    picture = draw([piece(box((-5, -3, -7), (5, 3, 7)))], camera, line_px=1)
    wide, tall = {0: (14, 6), 1: (10, 14), 2: (10, 6)}[int(np.argmax(np.abs(look)))]
    # Pixel middles at -5.0, -4.9 ... 5.0 lie on it: one more than its length in steps.
    assert np.ptp(np.flatnonzero((picture.front == 0).any(axis=0))) + 1 == pytest.approx(wide * 10, abs=1)
    assert np.ptp(np.flatnonzero((picture.front == 0).any(axis=1))) + 1 == pytest.approx(tall * 10, abs=1)


def test_left_is_where_a_describer_sees_it(specimen: Compared) -> None:
    # In lateral left view the snout (+z) points to the left of the page, in dorsal view the animal's left lies left,
    # in rostral view it lies right. Common practice in plates of skulls, no source.
    def at(name: str, point: tuple[float, float, float]) -> np.ndarray:
        view = standard_view(name, specimen)
        return project(Camera(view.look, view.up, (0, 0, 0), 1.0, 101, 101), [point])[0]

    assert at("lateral left", (0, 0, 10))[0] < 50 < at("lateral right", (0, 0, 10))[0]
    assert at("lateral left", (0, 10, 0))[1] < 50
    assert at("dorsal", (10, 0, 0))[0] < 50
    assert at("dorsal", (0, 0, 10))[1] < 50
    assert at("ventral", (10, 0, 0))[0] > 50
    assert at("rostral", (10, 0, 0))[0] > 50


def test_what_is_nearer_hides_what_is_behind_and_a_veil_shows_it() -> None:
    camera = Camera((0, 0, -1.0), (0, 1.0, 0), (0, 0, 0), 0.1, 101, 101)
    near, far = box((-1, -1, 3), (1, 1, 4)), box((-3, -3, -4), (3, 3, -3))
    both = draw([piece(far), piece(near)], camera)
    assert both.front[50, 50] == 1
    assert both.front[25, 50] == 0
    veiled = draw([piece(far), piece(near, presence="veiled", opacity=0.4)], camera)
    alone = draw([piece(far)], camera)
    assert veiled.front[50, 50] == 0
    assert (veiled.rgb[50, 50] != alone.rgb[50, 50]).any()
    behind = draw([piece(near), piece(far, presence="veiled", opacity=0.4)], camera)
    np.testing.assert_array_equal(behind.rgb[50, 50], draw([piece(near)], camera).rgb[50, 50])


def test_a_cut_takes_away_what_lies_beyond() -> None:
    camera = Camera((0, 0, -1.0), (0, 1.0, 0), (0, 0, 0), 0.1, 101, 101)
    cut = draw([piece(box((-3, -3, -3), (3, 3, 3)))], camera, clip=((1.0, 0, 0), 1.0))
    columns = np.flatnonzero((cut.front == 0).any(axis=0))
    assert columns[-1] == pytest.approx(60, abs=1)
    assert columns[0] == pytest.approx(20, abs=1)


def rod(specimen: Compared, length_mm: float) -> Compared:
    """A specimen whose only part is a rod of known length along the skull's long axis, in voxels of 0.1 mm."""
    count = round(length_mm * 10)
    mask = np.zeros((count + 20, 30, 30), np.uint8)
    mask[10 : 10 + count, 8:22, 8:22] = 1
    base = specimen.account
    facts = replace(base.scan, shape_zyx=mask.shape, spacing_mm_zyx=(0.1, 0.1, 0.1))
    part = Part(1, "bone", "dentary", "left", 1.0, (1.5, 1.5, length_mm / 2), 1.0)
    return Compared("rod", replace(base, scan=facts, parts=(part,), teeth=(), findings=()), lambda: mask)


def test_the_scale_bar_is_right_to_a_pixel(specimen: Compared) -> None:
    plate = read_plate({"width": "single", "dpi": 600, "bar_mm": 20, "panel": [{"view": "lateral left"}]}, "here")
    out = lay_out(plate, {"rod": rod(specimen, 40.0)})
    image = np.asarray(Image.open(io.BytesIO(plate_files(out, ["png"])["png"])).convert("L"), int)
    assert image.shape == (out.height, out.width)
    (panel,) = out.panels
    seen = np.flatnonzero((panel.picture.front == 0).any(axis=0))
    length_px = seen[-1] - seen[0] + 1
    # The bar in the file itself: the longest run of black in the rows below the panel.
    rows = image[round(panel.foot) :]
    black = max(
        len(run.group()) for row in rows for run in re.finditer(rb"\x01+", (row < 8).astype(np.uint8).tobytes())
    )
    assert black == out.bar_px
    # The rod is twice as long as the bar; its surface is placed to about a tenth of its voxel of 0.1 mm.
    assert length_px == pytest.approx(2 * black, abs=1 + 0.02 * out.px_per_mm)


def crossing(a: Sequence[np.ndarray], b: Sequence[np.ndarray]) -> bool:
    """Whether two segments (two ends each) cross at a point within both."""

    def side(p: np.ndarray, q: np.ndarray, r: np.ndarray) -> float:
        return float((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]))

    (p, q), (r, s) = a, b
    return side(p, q, r) * side(p, q, s) < 0 and side(r, s, p) * side(r, s, q) < 0


@given(
    st.lists(st.tuples(st.floats(0, 100), st.floats(0, 60)), min_size=2, max_size=14, unique=True),
    st.integers(0, 2**32 - 1),
)
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_leaders_do_not_cross(places: list[tuple[float, float]], seed: int) -> None:
    at = np.array(places) + np.random.default_rng(seed).uniform(0, 1e-3, (len(places), 2))
    half = (len(at) + 1) // 2
    slots = np.array(
        [(-5.0, y) for y in np.linspace(0, 60, half)] + [(105.0, y) for y in np.linspace(0, 60, len(at) - half)]
    )
    chosen = slots_for(at, slots)
    assert len(set(chosen)) == len(at)
    lines = [(at[k], slots[chosen[k]]) for k in range(len(at))]
    assert not any(crossing(a, b) for a, b in combinations(lines, 2))


def test_crossing_is_told() -> None:
    a, b, c, d = (np.array(p, float) for p in ((0, 0), (2, 2), (0, 2), (2, 0)))
    assert crossing((a, b), (c, d))
    assert not crossing((a, c), (b, d))


def test_labels_point_at_what_they_name(laid: Laid, specimen: Compared) -> None:
    count = 0
    for panel in laid.panels:
        assert not any(
            crossing((np.array(a.at), np.array(a.begin)), (np.array(b.at), np.array(b.begin)))
            for a, b in combinations(panel.labels, 2)
        )
        for label in panel.labels:
            x, y = round(label.at[0]) - panel.x, round(label.at[1]) - panel.y
            assert panel.picture.front[y, x] >= 0
            count += 1
    assert count > 15
    first = laid.panels[0]
    heights = sorted(label.begin[1] for label in first.labels if label.left)
    assert min(np.diff(heights)) > 0.9 * 3.1 * laid.dpi / 25.4  # no label lies on another


def test_all_panels_have_one_scale_but_those_magnified(laid: Laid) -> None:
    one, two, three = laid.panels
    assert one.px_per_mm == two.px_per_mm == laid.px_per_mm
    assert three.px_per_mm == pytest.approx(1.5 * laid.px_per_mm)
    assert three.bar_px == pytest.approx(three.bar_mm * three.px_per_mm, abs=0.5)
    assert one.camera.mm_per_px == pytest.approx(1 / laid.px_per_mm)


def test_the_same_input_gives_the_same_bytes_and_text_stays_text(laid: Laid, specimen: Compared) -> None:
    one = plate_files(laid, ["png", "svg", "pdf"])
    again = lay_out(read_plate(LABELLED, "here"), {"a": specimen}, budget=20_000)
    assert plate_files(again, ["png", "svg", "pdf"]) == one
    svg = one["svg"].decode()
    assert ">dP3</text>" in svg
    assert "image/png" in svg
    page = pypdfium2.PdfDocument(one["pdf"])[0]
    assert "dP3" in page.get_textpage().get_text_range()
    assert page.get_size()[0] == pytest.approx(174 / 25.4 * 72, abs=0.3)  # double column, in points
    image = Image.open(io.BytesIO(one["png"]))
    assert image.size == (laid.width, laid.height)
    assert image.info["dpi"][0] == pytest.approx(150, abs=0.1)


def test_colours_are_those_of_the_stage() -> None:
    from ossicle.publish.colours import BONE, CLASS, GENERATION, REST

    text = (Path(__file__).resolve().parents[2] / "web/src/parts/colours.ts").read_text()
    found = {
        name: tuple(float(v) for v in values.split(","))
        for name, values in re.findall(r"(\w+)(?:: Rgb =|:) \[([\d., ]+)\]", text)
    }
    for name, colour in {**GENERATION, **CLASS, **REST, "BONE": BONE, "bone": BONE}.items():
        assert found.get(name, BONE if name == "bone" else None) == colour, name


def test_generations_differ_in_grey_too() -> None:
    from ossicle.publish.colours import GREYS

    levels = sorted(GREYS.values())
    assert min(np.diff(levels)) > 0.1


def test_every_standard_view_of_the_sketch_shows_something(specimen: Compared) -> None:
    from ossicle.publish.stage import stage_of

    stage: Stage = stage_of(specimen, 8000)
    for name in STANDARD:
        shown = [stage.parts[p] for p, how in stage.looks(standard_view(name, specimen)).items() if how == "solid"]
        assert shown, name
        if "upper" in name:
            assert all(stage.teeth[p.part].jaw == "upper" for p in shown if p.part in stage.teeth)
        if "left dentary" in name:
            teeth = [stage.teeth[p.part] for p in shown if p.part in stage.teeth]
            assert {(t.jaw, t.side) for t in teeth} == {("lower", "left")}


@pytest.mark.parametrize(
    ("data", "said"),
    [
        ({}, "no panel"),
        ({"panel": [{"view": "sideways"}]}, "no standard view"),
        ({"panel": [{"view": "dorsal", "finding": "x"}]}, "one of them"),
        ({"panel": [{"view": "dorsal"}], "colour": "red"}, "not known here"),
        ({"panel": [{"view": "dorsal"}], "dpi": 5}, "cannot be drawn"),
        ({"panel": [{"view": "dorsal"}], "width": "wide"}, "is no width"),
        ({"panel": [{"view": "dorsal", "label": "tusk"}]}, "no part 'tusk'"),
        ({"panel": [{"finding": "nothing/at-all"}]}, "no finding"),
        ({"panel": [{"view": "dorsal", "specimen": "b"}]}, "no specimen 'b'"),
        ({"panel": [{"view": "dorsal", "lift_mm": "far"}]}, "wrong kind"),
    ],
)
def test_a_bad_description_is_one_sentence(specimen: Compared, data: dict[str, object], said: str) -> None:
    with pytest.raises(OssicleError, match=re.escape(said)):
        lay_out(read_plate(data, "here"), {"a": specimen}, budget=4000)


def test_the_command_writes_a_plate(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = tmp_path / "plate.toml"
    text.write_text('dpi = 100\n[[panel]]\nview = "dorsal"\nbone = "absent"\n', encoding="utf-8")
    out = tmp_path / "figure"
    assert main(["plate", str(text), str(folder), "--format", "png", "--format", "pdf", "--out", str(out)]) == 0
    assert {p.name for p in tmp_path.iterdir()} == {"plate.toml", "figure.png", "figure.pdf"}
    text.write_text("dpi = ", encoding="utf-8")
    capsys.readouterr()
    assert main(["plate", str(text), str(folder), "--out", str(out)]) == 2
    assert "this is no TOML" in capsys.readouterr().err
