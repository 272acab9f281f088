"""What the fuzz bench tries on accounts and deposits: all that is made of them once they are read.

The deposit to start from is that of a small drawn specimen (``tests/desk/desk_world.py``) with decisions of most kinds.
"""

from __future__ import annotations

import atexit
import datetime
import functools
import json
import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

from benchmarks.fuzz_json import PARTED, parsed
from benchmarks.fuzz_scans import MEMORY, ROOT, Target

ROWS = ("I1 dC>C dP4>P4 M1", "I1 C P4:unreplaced M1:crypt")


class Seeds(Sequence[bytes]):
    """Whole inputs that take seconds to make: made when they are first looked at."""

    def __init__(self, make: Callable[[], list[bytes]]) -> None:
        self.made = functools.cache(make)

    def __getitem__(self, at: Any) -> Any:
        return self.made()[at]

    def __len__(self) -> int:
        return len(self.made())


@dataclass(frozen=True)
class Whole:
    """A deposit to start from: its ``folder``, and the changed ``files`` of its specimen by their places in it."""

    folder: Path
    files: dict[str, bytes]

    @property
    def account(self) -> bytes:
        """The specimen's account."""
        return next(self.folder.glob("specimens/*/account.json")).read_bytes()

    def seed(self) -> bytes:
        """Return the files as one input."""
        return PARTED.join(self.files.values())

    def few(self) -> list[tuple[str, bytes]]:
        """Return files by place, few enough to be changed as one archive."""
        record, *_ = self.files.items()
        own = record[0].rpartition("/")[0]
        return [record, (f"{own}/decisions.json", b"[]"), (f"{own}/account.json", b"{}")]

    def lay(self, data: bytes) -> None:
        """Write an input in place of the files; its decisions are chained anew, as whoever forges them would."""
        for (place, whole), held in zip(self.files.items(), [*data.split(PARTED), b"", b""][:3], strict=True):
            said = held or whole
            (self.folder / place).write_bytes(chained(said) if place.endswith("decisions.json") else said)


def chained(data: bytes) -> bytes:
    """Return decisions whose numbers and digests are in order, where they can be read at all."""
    from ossicle.collection import Decision
    from ossicle.collection.history import FIRST, digest_of

    try:
        rows = json.loads(data)
        before = FIRST
        for number, row in enumerate(rows, start=1):
            row["number"] = number
            before = row["digest"] = digest_of(Decision.from_json(row), before)
        return json.dumps(rows).encode()
    except Exception:
        return data


@functools.cache
def whole() -> Whole:
    """Make the deposit: a drawn specimen taken in, read, decided on and deposited with its scan."""
    for place in ("account", "desk"):
        sys.path.append(str(ROOT / "tests" / place))
    from desk_world import Drawing, make

    import ossicle.collection as c
    from ossicle.publish import meshes
    from ossicle.publish.deposit import rights, write_deposit

    place = Path(tempfile.mkdtemp(prefix="ossicle-fuzz-", dir=MEMORY))
    atexit.register(shutil.rmtree, place, ignore_errors=True)
    os.environ.setdefault("OSSICLE_CACHE", str(place / "cache"))
    made = make(place, [Drawing("OTC 1", ROWS)])
    with (
        c.Collection.open(made) as held,
        mock.patch.object(meshes, "meshes_of", lambda s, parts, *more, of=meshes.meshes_of: of(s, parts[:2], *more)),
    ):
        for said in _said(held):
            last = held.decide("OTC 1", said, who="A. Reader", why="seen")
        held.decide("OTC 1", c.Undo(last.number), who="B. Reader", why="not so")
        licence = rights("CC-BY-4.0", "Ossicle Teaching Cabinet (invented)", "none", ["Reader, Anna"])
        folder = write_deposit(held, ["OTC 1"], place / "deposit", licence, made=datetime.date(2031, 5, 1))
    shutil.rmtree(made)
    own = next((folder / "specimens").iterdir())
    record = json.loads((own / "specimen.json").read_bytes())
    for scan in record["scans"]:
        del scan["sources"][2:]
    (own / "specimen.json").write_text(json.dumps(record))
    paths = (own / "specimen.json", own / "decisions.json", next(own.glob("readings/*/reading.json")))
    return Whole(folder, {str(p.relative_to(folder)): p.read_bytes() for p in paths})


def _said(held: Any) -> list[Any]:
    import ossicle.collection as c

    at = [t.centroid_mm_xyz for t in held.reading("OTC 1").reading.teeth]
    return [
        c.Join((at[0], at[1])),
        c.Cut(at[2], seeds=(at[2], tuple(v + 0.5 for v in at[2]))),
        c.Discard(at[3]),
        c.SetGeneration(at[4], "permanent"),
        c.SetSide(at[5], "left"),
        c.SetMidplane(((9, 0, 0), (9, 1, 0), (9, 0, 1)), up=(0, 1, 0)),
        c.PlaceLandmark("basion", (9.0, 9.0, 4.0)),
        c.Score("stapes_form", "0", "?"),
        c.Agree("stage/eruption"),
        c.Amend("stage/eruption", {"a": [1, None]}, "all are there"),
        c.Rename(at[12], "dP3"),
    ]


def replayed(data: bytes) -> object:
    """Verify a deposit as far as its account, which is worked out from its reading and decisions."""
    from ossicle.account import account_from_json, account_text, account_to_json
    from ossicle.publish.deposit.reading_back import deposited, differences, replayed_account

    made = whole()
    made.lay(data)
    one = deposited(made.folder)[0]
    account = replayed_account(one)
    return differences(one, account), account_text(account), account_from_json(account_to_json(account))


def received(data: bytes) -> object:
    """Receive a deposit into a collection and look at what came; where it is refused, nothing is kept."""
    from ossicle.account import account_text
    from ossicle.collection import Collection
    from ossicle.errors import OssicleError
    from ossicle.publish.deposit import receive
    from ossicle.publish.deposit.manifest import write_manifest

    made = whole()
    made.lay(data)
    write_manifest(made.folder)
    with tempfile.TemporaryDirectory(dir=MEMORY) as place, Collection.create(Path(place, "c")) as held:
        try:
            numbers = receive(made.folder, held)
        except OssicleError:
            assert not held.specimens().total, "a refused deposit left a specimen"
            raise
        return [(held.specimen(n), account_text(held.account(n)), held.decisions(n)) for n in numbers]


def decided(data: bytes) -> object:
    """Decide what came over the wire, as a collection does but for keeping it, and give the account that follows."""
    from ossicle.account import account_from_json, account_text, account_to_json
    from ossicle.collection import Decision, hints_of, replay, request, words_of
    from ossicle.collection.deciding import anchored

    said = parsed(data)
    if not isinstance(said, dict):
        return None
    kept, structures, before = _seen()
    asked = request(str(said.pop("kind", "agree")), **said)
    if asked.kind in ("undo", "redo"):
        return None
    decision = anchored(asked, "A. Reader", "2031-05-01T00:00:00Z", "seen", before, structures, kept.facts)
    told = json.loads(json.dumps(decision.as_json()))  # as the catalogue keeps it
    back = Decision.from_json({**told, "number": 1})
    found = replay(structures, kept.facts, kept.made_by, [back], heeded=kept.heeded)
    hints_of([back], structures.scan)
    account_from_json(account_to_json(found.account))
    return words_of(back), account_text(found.account)


@functools.cache
def _seen() -> tuple[Any, Any, Any]:
    """Return the reading of the deposit, and its account without decisions."""
    from ossicle.collection import replay
    from ossicle.publish.deposit.reading_back import deposited

    whole().lay(whole().seed())
    one = deposited(whole().folder)[0]
    kept = one.kept(one.record.last)
    structures = kept.structures()
    return kept, structures, replay(structures, kept.facts, kept.made_by, [], heeded=kept.heeded)


_DECIDED = [
    {"kind": "rename", "at": "upper-left/dC", "name": "dP3"},
    {"kind": "cut", "at": "upper-left/M1", "stroke": [[5.8, 11.6, 22], [5.8, 11.7, 25]], "view": [1, 0, 0]},
    {"kind": "join", "at": ["upper-left/I1", "upper-left/dC"]},
    {"kind": "midplane", "points": [[9, 0, 1], [9, 1, 0], [9, 1, 1]], "up": [0, 1, 0]},
    {"kind": "landmark", "name": "basion", "point": [9, 9, 4]},
    {"kind": "amend", "finding": "stage/eruption", "value": {"a": [1, None]}, "statement": "all"},
    {"kind": "generation", "at": [5.86, 11.67, 23.6], "generation": "permanent"},
    {"kind": "score", "character": "stapes_form", "state": "0", "computed": "?"},
]


def account(data: bytes) -> object:
    """Read an account, and make of it what is made of one: text, page, tables, scores, a comparison."""
    from ossicle.account import account_from_json, account_text, account_to_json
    from ossicle.account.html import account_html
    from ossicle.account.tables import dentition_csv
    from ossicle.anatomy.characters import load_characters
    from ossicle.compare.differences import compare_two
    from ossicle.compare.specimens import Compared
    from ossicle.publish.scoring import computed_cells
    from ossicle.publish.tables import write_tables

    kept = account_from_json(data.decode("utf-8", "replace"))
    same = compare_two(*(Compared(name, kept, lambda: None, lambda: None) for name in ("a", "b")))
    with tempfile.TemporaryDirectory(dir=MEMORY) as place:
        write_tables(Path(place), {"a": kept})
    made = account_text(kept), account_to_json(kept), account_html(kept, None), dentition_csv(kept)
    return made, same, computed_cells(kept, load_characters().values())


def account_targets() -> dict[str, tuple[Target, Sequence[bytes]]]:
    """Return by name what is tried on accounts and deposits, and whole inputs to start from."""
    return {
        "decision": (decided, [json.dumps(said).encode() for said in _DECIDED]),
        "account": (account, Seeds(lambda: [_account_of_nothing(), whole().account])),
        "deposit-replayed": (replayed, Seeds(lambda: [whole().seed()])),
        "deposit-received": (received, Seeds(lambda: [whole().seed()])),
    }


def _account_of_nothing() -> bytes:
    """Return an account as a volume of noise gives it."""
    import numpy as np

    from ossicle.account import MadeBy, ScanFacts, Source, account_to_json, build_account
    from ossicle.reading import read

    volume = np.random.default_rng(0).normal(100, 5, (8, 9, 10)).astype(np.float32)
    facts = ScanFacts((8, 9, 10), (0.1, 0.1, 0.1), (Source("noise", "0" * 64),), handedness="stated")
    return account_to_json(build_account(read(volume, (0.1, 0.1, 0.1)), facts, MadeBy("0", {}, 1.0, 1.0))).encode()
