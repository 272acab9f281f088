"""Deposits received into a collection, also altered and forged ones. All specimens are drawn."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

sys.path.append(str(Path(__file__).resolve().parents[2]))  # `benchmarks` is no part of the installed package

from benchmarks.fuzz_accounts import chained
from deposit_tools import own_rights, spoilt

import ossicle.collection.receiving as receiving
from ossicle.account import account_to_dict
from ossicle.collection import Agree, Collection
from ossicle.errors import OssicleError
from ossicle.publish.deposit import receive, verify, write_deposit
from ossicle.publish.deposit.manifest import write_manifest


def test_a_deposit_is_received_as_it_was(made: Path, decided: Path, tmp_path: Path) -> None:
    with Collection.create(tmp_path / "new") as held, Collection.open(decided) as theirs:
        assert receive(made, held, who="C. Keeper") == ["OTC 1"]
        assert account_to_dict(held.account("OTC 1")) == account_to_dict(theirs.account("OTC 1"))
        assert held.decisions("OTC 1") == theirs.decisions("OTC 1")
        assert [r.uid for r in held.readings("OTC 1")] == [r.uid for r in theirs.readings("OTC 1")]
        specimen = held.specimen("OTC 1")
        assert specimen.scientific_name == "Fictus sketchi (invented)"
        assert specimen.terms["decimalLatitude"] == -33.9
        assert "to 0.1 degree" in specimen.terms["occurrenceRemarks"]
        held.decide("OTC 1", Agree("formula/counts"), who="C. Keeper")
        assert held.decisions("OTC 1")[-1].number == 6
        report = held.check()
        assert report.sound, report.faults
        with pytest.raises(OssicleError, match="is in the collection already"):
            receive(made, held)
        # and given on
        write_deposit(held, ["OTC 1"], tmp_path / "on.zip", own_rights(), meshes=False)
    assert verify(tmp_path / "on.zip").sound


def test_an_altered_deposit_is_not_received(made: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(made, tmp_path / "copy"))
    spoilt(copy / "specimens" / "OTC-1" / "decisions.json", 40)
    with Collection.create(tmp_path / "new") as held:
        with pytest.raises(OssicleError, match=r"decisions\.json: is altered"):
            receive(copy, held)
        assert held.specimens().total == 0


@pytest.mark.parametrize("lack", ["scan", "scan of a reading", "reading"])
def test_what_cannot_be_received_whole_leaves_nothing(lack: str, made: Path, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(made, tmp_path / "copy"))
    place = copy / "specimens" / "OTC-1"
    record = json.loads((place / "specimen.json").read_text())
    if lack == "scan":
        record["scans"].append({**record["scans"][0], "key": "f" * 32})
    elif lack == "scan of a reading":
        record["readings"].append({**record["readings"][0], "uid": "e" * 32, "scan_key": "e" * 32, "number": 9})
    else:
        record["readings"].append({**record["readings"][0], "uid": "d" * 32, "number": 9})
    (place / "specimen.json").write_text(json.dumps(record))
    write_manifest(copy)  # as somebody would who makes a deposit of their own
    with Collection.create(tmp_path / "new") as held:
        before = sorted(p.relative_to(held.layout.root) for p in held.layout.root.rglob("*"))
        with pytest.raises(OssicleError, match=r"OTC.1: .*(not among its|are missing|does not tell of)"):
            receive(copy, held)
        assert held.specimens().total == 0
        assert sorted(p.relative_to(held.layout.root) for p in held.layout.root.rglob("*")) == before


def _teeth(record: dict[str, Any]) -> list[dict[str, Any]]:
    return record["reading"]["teeth"]


FORGED: dict[str, tuple[str, Callable[[Any], object]]] = {
    "a key that leads elsewhere": ("specimen.json", lambda r: r["scans"][0].update(key="../../../elsewhere")),
    "seconds in words": ("specimen.json", lambda r: r["readings"][0].update(seconds="three")),
    "a reading twice": ("specimen.json", lambda r: r["readings"].append(r["readings"][0])),
    "a number beyond any": ("specimen.json", lambda r: r["readings"][0].update(number=10**20)),
    "half a character": ("specimen.json", lambda r: r.update(catalogNumber="OTC \ud800")),
    "a number for a name": ("decisions.json", lambda r: r[0]["anchors"][0]["structure"].update(volume_mm3="large")),
    "no such kind": ("decisions.json", lambda r: r[0].update(kind="guess")),
    "a rename without a name": ("decisions.json", lambda r: r[0].update(said={})),
    "a landmark without a place": ("decisions.json", lambda r: r[2].update(anchors=[])),
    "a length in words": ("reading.json", lambda r: _teeth(r)[0].update(length_mm="long")),
    "a tooth of no row": ("reading.json", lambda r: _teeth(r)[0].update(jaw="left")),
    "a predecessor that is none": ("reading.json", lambda r: _teeth(r)[0].update(part=10**20)),
}


@pytest.mark.parametrize("what", FORGED)
def test_forged_records_are_told_in_a_sentence_and_leave_nothing(what: str, made: Path, tmp_path: Path) -> None:
    """Records that were changed with their digests, as one who makes a deposit of their own can."""
    name, change = FORGED[what]
    copy = Path(shutil.copytree(made, tmp_path / "copy"))
    file = next(copy.glob(f"specimens/OTC-1/**/{name}"))
    record = json.loads(file.read_text())
    change(record)
    file.write_bytes(chained(json.dumps(record).encode()) if name == "decisions.json" else json.dumps(record).encode())
    write_manifest(copy)
    with Collection.create(tmp_path / "new") as held:
        with pytest.raises(OssicleError) as told:
            receive(copy, held)
        said = told.value.sentence()
        assert "\n" not in said
        assert "ValueError" not in said  # which tells a curator nothing; others say little without their names
        assert "ossicle check" not in said  # which is for collections
        assert held.specimens().total == 0
    with pytest.raises(OssicleError):
        verify(copy)


def test_readings_that_cannot_be_entered_are_taken_away_again(made: Path, tmp_path: Path) -> None:
    """The catalogue fails after the files were placed: none of them stays, and the same can be received after that."""
    with Collection.create(tmp_path / "new") as held, pytest.MonkeyPatch.context() as patch:
        patch.setattr(receiving, "row_of", lambda *_: (_ for _ in ()).throw(OssicleError("the disk is full")))
        with pytest.raises(OssicleError, match="the disk is full"):
            receive(made, held)
        assert not list((held.layout.root / "readings").iterdir())
        assert held.readings("OTC 1") == []
        assert held.check().sound


def test_the_same_scan_from_other_files_is_told_before_anything_is_kept(
    made: Path, decided: Path, tmp_path: Path
) -> None:
    with Collection.create(tmp_path / "new") as held, Collection.open(decided) as theirs:
        scan = theirs.scan(theirs.scans("OTC 1")[0].key)
        grey = np.asarray(scan.values)
        (tmp_path / "again").mkdir()
        for n, page in enumerate(grey):
            tifffile.imwrite(tmp_path / "again" / f"s{n:03}.tif", page)
        (tmp_path / "again" / "scan.json").write_text(
            json.dumps({"spacing_mm_zyx": list(scan.geometry.spacing_mm_zyx), "mirrored": False})
        )
        held.take_in(tmp_path / "again", {"catalogNumber": "OTC 9"})
        with pytest.raises(OssicleError, match="taken in from other files"):
            receive(made, held)
        assert [s.catalog_number for s in held.specimens().items] == ["OTC 9"]
