"""File names for every system, and paths from another one.

The names that Windows keeps, its forbidden characters and trailing dots: Microsoft, "Naming Files, Paths, and
Namespaces" (from memory). Composed and decomposed letters: Unicode Standard Annex 15.
"""

from __future__ import annotations

import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ossicle.scans.paths import RESERVED, file_name, missing, path_hint, written_elsewhere

FORBIDDEN = set('<>:"/\\|?*') | {chr(n) for n in range(32)}
ANY = st.text(st.characters(codec="utf-8"), max_size=300)


@given(ANY, st.booleans())
def test_a_file_name_is_one_on_every_system(name: str, plain: bool) -> None:
    made = file_name(name, plain=plain)
    assert made
    assert not FORBIDDEN & set(made)
    assert made[-1] not in ". "
    assert made[0] not in ".-"
    assert made.split(".")[0].casefold() not in RESERVED
    assert unicodedata.is_normalized("NFC", made)
    assert len(f"{made}.parquet".encode()) <= 255 or not made.isascii()
    assert made.isascii() or not plain


@given(st.lists(ANY, max_size=12))
def test_names_differ_also_where_case_does_not_count(names: list[str]) -> None:
    taken: set[str] = set()
    made = [file_name(name, taken=taken) for name in names]
    assert len({name.casefold() for name in made}) == len(names)


@pytest.mark.parametrize(
    ("name", "made"),
    [
        ("OTC 12", "OTC-12"),
        ("OTC/12\\b:2*", "OTC-12-b-2"),
        ("left upper dP4?", "left-upper-dP4"),
        ("aux", "aux-"),
        ("Com1.a", "Com1-.a"),
        ("LPT³", "LPT³-"),
        ("console", "console"),
        ("skull. ", "skull"),
        ("...", "specimen"),
        ("", "specimen"),
        ("Ze\u0301bu", "Z\u00e9bu"),  # as macOS may write it, and as others do
        ("头骨 7", "头骨-7"),
    ],
)
def test_names_that_trip(name: str, made: str) -> None:
    assert file_name(name) == made


def test_two_that_would_be_one_file_are_told_apart() -> None:
    taken: set[str] = set()
    assert [file_name(n, taken=taken) for n in ("OTC 1", "OTC-1", "otc/1")] == ["OTC-1", "OTC-1-2", "otc-1-3"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("C:\\Scans\\OTC 12", "/mnt/c/Scans/OTC 12"),
        ("d:/scans", "/mnt/d/scans"),
        ("\\\\server\\scans", "mount it"),
        ("scans\\OTC 12", "scans/OTC 12"),
        ("smb://server/scans", "mount or fetch it"),
        ("'scans/OTC 12'", "quotation marks"),
        ("scans/OTC 12", "check the path"),
    ],
)
def test_what_is_said_of_paths_of_other_systems(text: str, says: str) -> None:
    assert says in path_hint(text)


def test_a_neighbour_that_differs_in_case_is_named(tmp_path: Path) -> None:
    (tmp_path / "Slices").mkdir()
    assert "'Slices'" in missing(tmp_path / "slices")
    assert missing(tmp_path / "scans") == "check the path"
    assert missing(tmp_path / "nowhere" / "slices") == "check the path"


def test_a_table_written_elsewhere_still_finds_its_scans(tmp_path: Path) -> None:
    decomposed, composed = "Ze\u0301bu", "Z\u00e9bu"
    (tmp_path / "drawer" / decomposed / "slices").mkdir(parents=True)
    there = tmp_path / "drawer" / decomposed / "slices"
    for text in (f"drawer/{decomposed}/slices", f"drawer\\{composed}\\slices", f"./drawer/{composed}/slices/"):
        assert written_elsewhere(tmp_path, text).resolve() == there.resolve()
    for text in ("drawer\\other", "", "Drawer/x", f"drawer\\{composed}\\nothing"):
        assert written_elsewhere(tmp_path, text) == tmp_path / text
    (tmp_path / "with\\backslash").mkdir()
    assert written_elsewhere(tmp_path, "with\\backslash").name == "with\\backslash"
