"""Crowns stand right, a molar-like crown is told from one that is not; charts carry their numbers and captions."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from growing import grown
from known import scanned, specimen
from scipy.spatial.transform import Rotation

from ossicle.cli import main
from ossicle.compare import Compared, arrange, compare_two, crown_of, crowns_apart, molarity, place
from ossicle.compare.charts import (
    allometry_chart,
    changes_chart,
    components_chart,
    crowns_chart,
    series_chart,
    write_chart,
)
from ossicle.compare.crowns import GRID, Crown
from ossicle.compare.shape import allometry, components
from ossicle.compare.surfaces import Surface
from ossicle.errors import OssicleError
from ossicle.practice.specimen import Anatomy
from ossicle.reading.records import ToothRecord

TURN = Rotation.from_euler("xyz", [-40, 15, 70], degrees=True).as_matrix()


@pytest.fixture(scope="module")
def row(adult: Anatomy) -> Compared:
    """Upper cheek teeth on a turned grid; every voxel above the alveolar margin counts as enamel."""
    teeth = [t for t in adult.teeth if t.jaw == "upper" and t.side == "left" and t.name in ("P3", "P4", "M1", "M2")]
    s = scanned("one", adult, teeth, TURN, 0.1)
    labels = s.parts
    assert labels is not None
    index = np.argwhere(labels > 0)
    skull = index[:, ::-1] @ s.index_to_skull[:3, :3].T + s.index_to_skull[:3, 3]
    enamel = np.zeros(labels.shape, bool)
    for t in teeth:
        own = labels[tuple(index.T)] == t.label
        back = np.linalg.inv(t.to_skull)
        height = (skull[own] @ back[:3, :3].T + back[:3, 3])[:, 2]
        enamel[tuple(index[own][height > t.crest].T)] = True
    return Compared("one", s.account, lambda: labels, lambda: enamel)


def tooth(s: Compared, name: str) -> ToothRecord:
    return next(t for t in s.account.teeth if (t.jaw, t.side, t.name) == ("upper", "left", name))


def test_a_crown_stands_in_its_frame(row: Compared, adult: Anatomy) -> None:
    for name in ("P4", "M1"):
        crown = crown_of(row, tooth(row, name))
        truth = next(t for t in adult.teeth if (t.jaw, t.side, t.name) == ("upper", "left", name)).model.figures
        # the crown's own axes need not be those of the model: within a tenth
        assert crown.length_mm == pytest.approx(truth.length, rel=0.12)
        assert crown.width_mm == pytest.approx(truth.width, rel=0.12)
        assert crown.surface.vertices[:, 2].max() == pytest.approx(0, abs=1e-9)
        assert np.isfinite(crown.relief).mean() > 0.5


def test_a_crown_is_wholly_itself(row: Compared) -> None:
    p4, m1 = crown_of(row, tooth(row, "P4")), crown_of(row, tooth(row, "M1"))
    assert molarity(m1, m1, p4).along == pytest.approx(1.0)
    assert molarity(p4, m1, p4).along == pytest.approx(0.0)
    assert molarity(p4, m1, p4).off == pytest.approx(0.0, abs=1e-6)
    assert molarity(m1, m1).to_molar == pytest.approx(0.0)
    found = crowns_apart(m1, m1)
    assert found.share < 1e-3
    m2 = crown_of(row, tooth(row, "M2"))
    # the second molar is more like the first than the last premolar is
    between = molarity(m2, m1, p4)
    assert between.along is not None
    assert between.along > 0.5


def drawn(name: str, bumps: list[tuple[float, float]], length: float = 2.0, width: float = 2.0) -> Crown:
    """A crown of cones on a plate, of known relief."""
    ticks = np.linspace(-0.46, 0.46, GRID)
    x, y = np.meshgrid(ticks, ticks)
    relief = -1 + sum(np.maximum(0, 1 - 4 * np.hypot(x - a, y - b)) for a, b in bumps)
    bare = Surface(np.zeros((0, 3)), np.zeros((0, 3), int), np.zeros((0, 3)), 0.1)
    return Crown("drawn", name, bare, length, width, 1.0, relief)


def test_half_way_is_half_way() -> None:
    molar, premolar = drawn("M1", [(-0.25, 0.2), (0.25, 0.2), (0, -0.2)]), drawn("P4", [(0.1, 0.1)])
    half = drawn("dP4", [])
    half = Crown(
        *[getattr(half, f) for f in ("specimen", "name", "surface", "length_mm", "width_mm", "height_mm")],
        (molar.relief + premolar.relief) / 2,
    )
    found = molarity(half, molar, premolar)
    assert found.along == pytest.approx(0.5)
    assert found.off == pytest.approx(0.0, abs=1e-9)
    small = drawn("P4", [(0.1, 0.1)], length=1.0)
    assert "still be forming" in molarity(half, molar, small).note


def test_the_command_prints_and_keeps_how_molar_like(
    row: Compared, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """P3 stands in for dP4, so that a crown lies between two others of the same row."""
    teeth = tuple(replace(t, name="dP4") if t.name == "P3" else t for t in row.account.teeth)
    mixed = Compared("one", replace(row.account, teeth=teeth), lambda: row.parts, lambda: row.enamel)
    monkeypatch.setattr("ossicle.cli.comparing.gathered", lambda *_, **__: [mixed])
    words = ["compare", "one", "--crowns", "left upper dP4"]
    assert main([*words, "--out", str(tmp_path)]) == 0
    text = capsys.readouterr().out
    assert main([*words, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["sides"] == []
    assert json.loads((tmp_path / "crowns.json").read_text()) == told["crowns"]
    crowns = told["crowns"]
    assert (crowns["crown"], crowns["successor"]) == ("left upper dP4", "left upper P4")
    assert f"{crowns['to_molar']:.3f} of crown height" in text
    assert f"{crowns['along']:.2f} of the way from left upper P4 (0) to left upper M1 (1)" in text
    assert (tmp_path / "crowns.svg").is_file()


def test_without_enamel_no_crown(adult: Anatomy) -> None:
    teeth = [t for t in adult.teeth if (t.jaw, t.side, t.name) == ("upper", "left", "M1")]
    s = scanned("one", adult, teeth, np.eye(3), 0.15)
    with pytest.raises(OssicleError, match="enamel is not at hand"):
        crown_of(s, tooth(s, "M1"))


def numbers(text: str) -> list[list[str]]:
    return list(csv.reader(io.StringIO(text)))


def test_charts_carry_their_numbers(row: Compared, adult: Anatomy, tmp_path: Path) -> None:
    series = arrange([grown(a, 5) for a in (0.1, 0.3, 0.5, 0.7)], [0.1, None, 0.5, None])
    new = place(series, grown(0.4, 2, name="new"))
    c = compare_two(
        specimen("one", adult, noise=1), specimen("two", adult, noise=2, changed={"zygomatic breadth": 1.1})
    )
    rng = np.random.default_rng(1)
    x = rng.normal(0, 1, (1, 6, 3)) * rng.uniform(1, 2, (8, 1, 1)) + rng.normal(0, 0.1, (8, 6, 3))
    names = [f"s{i}" for i in range(8)]
    crowns = [crown_of(row, tooth(row, n)) for n in ("P4", "M1")]
    charts = [
        series_chart(series, new),
        changes_chart(c),
        components_chart(components(x), names, {"a": [0, 1, 2, 3], "b": [4, 5, 6, 7]}),
        allometry_chart(allometry(x, draws=99), names),
        crowns_chart(crowns, molarity(crowns[0], crowns[1])),
    ]
    for chart in charts:
        written = write_chart(chart, tmp_path, ("svg",))
        assert sorted(p.suffix for p in written) == [".csv", ".svg", ".txt"]
        svg = (tmp_path / f"{chart.name}.svg").read_text()
        assert svg.lstrip().startswith("<?xml")
        assert "<text" in svg  # letters stay letters
        table = numbers((tmp_path / f"{chart.name}.csv").read_text())
        assert len(table) == len(chart.rows) + 1
        assert all(len(r) == len(chart.head) for r in table)
        assert len(chart.caption) > 60
    assert not list(tmp_path.glob(".*"))
    first = (tmp_path / "series.svg").read_bytes()
    write_chart(charts[0], tmp_path, ("svg",))
    assert (tmp_path / "series.svg").read_bytes() == first
    # units stand in the heads of the tables
    assert any("mm" in h for h in charts[4].head)
    assert re.search(r"\(0 to 1\)", " ".join(charts[0].head))
    with pytest.raises(OssicleError, match="no format"):
        write_chart(charts[1], tmp_path, ("bmp",))
