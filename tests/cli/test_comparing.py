"""The commands compare, series and shape: what they print, write and refuse."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "compare"))
from growing import grown

from ossicle.account import account_to_json
from ossicle.cli import main


@pytest.fixture
def readings(tmp_path: Path) -> list[str]:
    out = []
    for name, age in (("newborn", 0.1), ("juvenile", 0.4), ("subadult", 0.6), ("adult", 1.0)):
        folder = tmp_path / name
        folder.mkdir()
        (folder / "account.json").write_text(account_to_json(grown(age, 1).account), encoding="utf-8")
        out.append(str(folder))
    return out


def test_compare_prints_and_writes(readings: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "beside"
    assert main(["compare", readings[1], readings[3], "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert "juvenile compared with adult" in said
    assert "retains" in said
    assert "skull pose" in said
    assert {p.name for p in out.iterdir()} >= {
        "comparison.txt",
        "comparison.json",
        "differences.csv",
        "counterparts.csv",
    }
    data = json.loads((out / "comparison.json").read_text())
    assert data["specimens"] == ["juvenile", "adult"]
    assert main(["compare", *readings, "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)) == 3


def test_series_orders_places_and_writes(
    readings: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "growth"
    shuffled = [readings[i] for i in (3, 0, 2)]
    ages = ["--age", "newborn=0.1", "--age", "adult=1"]
    assert main(["series", *shuffled, "--place", readings[1], *ages, "--out", str(out)]) == 0
    said = capsys.readouterr().out
    assert said.index("newborn") < said.index("subadult") < said.index("adult ")
    assert "juvenile stands between newborn and subadult" in said
    assert "Next to come through" in said
    assert (out / "series.svg").is_file()
    assert json.loads((out / "series.json").read_text())["placed"][0]["after"] == "newborn"


def test_shape_from_a_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(4)
    base = np.array([[0, 0, 10], [0, 1, -12], [4, 0, -10], [-4, 0, -10], [2, -1, 6], [-2, -1, 6.0]])
    names = ["prosthion", "basion", "condyle left", "condyle right", "canine left", "canine right"]
    lines = ["specimen,landmark,x,y,z,sex,round"]
    for i in range(16):
        own = base * rng.uniform(0.8, 1.2) + rng.normal(0, 0.2, base.shape)
        own[0, 1] += 2.0 * (i % 2)
        for r in (1, 2):
            for name, p in zip(names, own + rng.normal(0, 0.02, own.shape), strict=True):
                lines.append(f"s{i},{name},{p[0]},{p[1]},{p[2]},{'fm'[i % 2]},{r}")
    table = tmp_path / "marks.csv"
    table.write_text("\n".join(lines) + "\n")
    out = tmp_path / "shape"
    command = ["shape", str(table), "--group", "sex", "--symmetry", "--draws", "199", "--out", str(out)]
    assert main(command) == 0
    said = capsys.readouterr().out
    assert "16 specimens, 6 landmarks in 3 dimensions" in said
    assert "p = 0.005" in said
    assert "fluctuating asymmetry" in said
    data = json.loads((out / "shape.json").read_text())
    assert data["tests"][0]["p"] == pytest.approx(0.005)
    assert (out / "procrustes.csv").read_text().count("\n") == 16 * 6 + 1
    assert main([*command[:-2], "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == data  # the same seed, the same figures


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["compare", "{0}"], "name two or more"),
        (["compare", "{0}", "nowhere"], "no such folder"),
        (["compare", "{0}", "{1}", "--by", "landmarks"], "share 0 landmarks"),
        (["compare", "{0}", "{1}", "--part", "left wing"], "no part 'left wing'"),
        (["compare", "{0}", "{1}", "--scale"], "no scale to fit"),
        (["compare", "{0}", "{1}", "--crowns", "M1"], "no deciduous premolar"),
        (["compare", "{0}", "--crowns", "M1"], "no deciduous premolar"),
        (["compare", "{0}", "--part", "cranium", "--scale"], "at its own size"),
        (["compare", "{0}", "--part", "cranium", "--by", "landmarks"], "at its own size"),
        (["series", "{0}", "{1}"], "name three or more"),
        (["series", "{0}", "{1}", "{2}", "--age", "nobody=3"], "no specimen of the series"),
        (["shape", "{0}/none.csv"], "cannot be read"),
    ],
)
def test_bad_input_is_one_sentence(
    readings: list[str], words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([w.format(*readings) for w in words]) == 2
    error = capsys.readouterr().err.strip()
    assert said in error
    assert "\n" not in error
    assert error.endswith(".")
