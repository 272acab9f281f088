"""The recipes of docs/adding.md, each followed as it stands there."""

from __future__ import annotations

import json
import re
import sys
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ossicle.anatomy import Formula, measurements
from ossicle.anatomy.characters import read_characters
from ossicle.anatomy.dentition_rows import build_dentition
from ossicle.errors import OssicleError
from ossicle.reading.records import ToothRecord

ROOT = Path(__file__).parents[2]
sys.path += [str(ROOT / "tests" / "account"), str(ROOT / "tests" / "scans")]

TEXT = (ROOT / "docs" / "adding.md").read_text("utf-8")
BLOCKS = {name: body for _, name, body in re.findall(r"```(toml|python)\n# (\w+)\n(.*?)```", TEXT, re.S)}


def test_every_recipe_has_its_example() -> None:
    assert set(BLOCKS) == {"dentition", "measurement", "character", "format"}


def test_the_places_named_are_there() -> None:
    named = re.findall(r"`((?:src|tests)/[\w./-]+)`", TEXT)
    assert len(named) > 8
    assert [n for n in named if not (ROOT / n).exists()] == []


def test_a_dentition() -> None:
    ((name, row),) = tomllib.loads(BLOCKS["dentition"]).items()
    made = build_dentition(name, row)
    assert made.formula == Formula.parse("3.1.4.1/3.1.4.2")
    assert not next(t for t in made.upper if t.tooth_class == "premolar" and t.position == 1).replaced
    with pytest.raises(OssicleError):  # and one that contradicts itself is refused, as the page says
        build_dentition(name, {**row, "total": 40})


def test_a_measurement(monkeypatch: pytest.MonkeyPatch) -> None:
    from ossicle.reading.structures import lengths, lengths_placed

    ((identifier, row),) = tomllib.loads(BLOCKS["measurement"]).items()
    known = {
        **measurements.load_measurements(),
        identifier: measurements.MeasurementDefinition(id=identifier, **{**row, "marks": tuple(row["marks"])}),
    }
    for module in (lengths, lengths_placed):
        monkeypatch.setattr(module, "load_measurements", lambda: known)

    class Anywhere:
        voxel = 0.1
        values = np.zeros((1000, 1000, 1000), bool)

        def indices(self, points: np.ndarray) -> np.ndarray:
            return 500 + np.asarray(points).T / self.voxel

    left, right = row["marks"]
    placed = {left: np.array([2.5, 1.0, 3.0]), right: np.array([-2.4, 0.0, 3.1])}
    (found,) = lengths_placed.with_placed([], placed, lengths.Ruler(Anywhere(), 0.0), ())  # type: ignore[arg-type]
    assert found.definition == identifier
    assert found.value_mm.value == pytest.approx(4.9)  # across the long axis alone


def test_a_character(tmp_path: Path) -> None:
    from sketch import ADULT, MADE_BY, scan_facts, sketch_reading

    from ossicle.account import build_account
    from ossicle.publish.scoring import computed_cell

    file = tmp_path / "mine.toml"
    file.write_text(BLOCKS["character"], encoding="utf-8")
    character = read_characters(file)["lower_second_molar"]
    drawn = sketch_reading(*ADULT, pictures=False)

    def second(t: ToothRecord) -> bool:
        return t.jaw == "lower" and t.tooth_class == "molar" and t.position == 2

    def scored(lower_second_mm: float | None) -> str:
        teeth = [
            replace(t, length_mm=lower_second_mm if second(t) else 4.0)
            for t in drawn.teeth
            if not second(t) or lower_second_mm is not None
        ]
        reading = replace(drawn, teeth=tuple(teeth))
        return computed_cell(build_account(reading, scan_facts(), MADE_BY), character).text

    assert [scored(1.2), scored(3.5)] == ["1", "2"]
    assert scored(None) in ("0", "?")  # never another: a tooth that is not there has no length


def test_a_format(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from ossicle.scans import formats, load

    folder = tmp_path / "more"
    folder.mkdir()
    (folder / "invented.py").write_text(BLOCKS["format"], encoding="utf-8")
    monkeypatch.setattr(formats, "__path__", [*formats.__path__, str(folder)])
    formats.families.cache_clear()
    try:
        values = np.random.default_rng(0).integers(0, 60000, (6, 8, 10), np.uint16)
        header = json.dumps({"shape_zyx": values.shape, "mm_zyx": [0.2, 0.1, 0.1]}).encode() + b"\n"
        (tmp_path / "skull.inv").write_bytes(header + values.astype("<u2").tobytes())
        scan = load(tmp_path / "skull.inv", cache=tmp_path / "cache")
        assert np.array_equal(np.asarray(scan.values[:]), values)
        assert scan.geometry.spacing_mm_zyx == (0.2, 0.1, 0.1)
        (tmp_path / "cut.inv").write_bytes(header + b"no greys")
        with pytest.raises(OssicleError):
            load(tmp_path / "cut.inv", cache=tmp_path / "cache")
        (tmp_path / "bad.inv").write_bytes(b"{no json\n")
        with pytest.raises(OssicleError, match=r"bad\.inv"):
            load(tmp_path / "bad.inv", cache=tmp_path / "cache")
    finally:
        sys.modules.pop("ossicle.scans.formats.invented", None)
        monkeypatch.undo()
        formats.families.cache_clear()
