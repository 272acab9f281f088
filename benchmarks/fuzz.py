"""Texts and small files that people hand to Ossicle, changed at random: a result or one sentence, never anything else.

``python -m benchmarks.fuzz TARGET --seconds 1800`` goes through one target; ``--findings FOLDER`` keeps what broke it.
Where atheris is installed (``pip install atheris``) the changes are guided by what code they reach, else blind. What
was found once lies in ``tests/fuzz/corpus`` and is tried by every test run. The readers of scans have tests of their
own (``tests/scans/test_damaged_bytes.py``; ``OSSICLE_FUZZ=2000`` for a long run).
"""

from __future__ import annotations

import argparse
import hashlib
import json
import random
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path
from typing import Any

from ossicle.errors import OssicleError

Target = Callable[[bytes], object]
MOST_BYTES = 20_000


def _as_file(name: str, read: Callable[[Path], object]) -> Target:
    """Return a target that reads its bytes as a file of this name."""
    folder = Path(tempfile.mkdtemp(prefix="ossicle-fuzz-", dir="/dev/shm" if Path("/dev/shm").is_dir() else None))

    def run(data: bytes) -> object:
        (folder / name).write_bytes(data)
        return read(folder / name)

    return run


def _text(read: Callable[[str], object]) -> Target:
    return lambda data: read(data.decode("utf-8", "replace"))


def account(data: bytes) -> object:
    """Read an account."""
    from ossicle.account import account_from_json, account_text, account_to_json

    kept = account_from_json(data.decode("utf-8", "replace"))
    return account_text(kept), account_to_json(kept)


def request(data: bytes) -> object:
    """Make a request from what came over the wire."""
    from ossicle.collection import request as made

    try:
        said = json.loads(data)
    except (ValueError, RecursionError):
        return None
    if not isinstance(said, dict):
        return None
    kind = said.pop("kind", "agree")
    return made(str(kind), **{str(k): v for k, v in said.items() if str(k) != "kind"})


def terms(data: bytes) -> object:
    """Read catalogue data given by terms."""
    from ossicle.collection.terms import specimen_data

    try:
        said = json.loads(data)
    except (ValueError, RecursionError):
        return None
    return specimen_data({str(k): str(v) for k, v in said.items()}) if isinstance(said, dict) else None


def targets() -> dict[str, tuple[Target, list[bytes]]]:
    """Return by name what is tried, and whole inputs to start from."""
    from ossicle.anatomy import ToothName
    from ossicle.anatomy.formula_grammar import parse_formula
    from ossicle.collection.collection import catalogue_url
    from ossicle.collection.files import Layout
    from ossicle.collection.table import box_from, read_table
    from ossicle.scans import parse_spacing
    from ossicle.scans.sidecar import read_sidecar

    spacing = b'{"spacing_mm_zyx": [0.1, 0.05, 0.05], "mirrored": false, "shape_zyx": [3, 4, 5], "type": "uint16"}'
    return {
        "account": (account, [_small_account()]),
        "sidecar-json": (_as_file("scan.json", read_sidecar), [spacing]),
        "sidecar-toml": (_as_file("scan.toml", read_sidecar), [b'spacing_um = 50.0\ngrey_unit = "HU"\nrows = 3\n']),
        "sidecar-text": (_as_file("scan.txt", read_sidecar), [b"Spacing mm = 0.05\nmirrored = yes\ncolumns: 5\n"]),
        "table": (
            _as_file("t.csv", read_table),
            [b'source,catalogNumber,sex,box_zyx\na,"OTC 1",female,"0:3,0:4,0:5"\nb,OTC 2,male,\n'],
        ),
        "marker": (
            _as_file("collection.toml", lambda path: catalogue_url(Layout(path.parent))),
            [b'format = "ossicle-collection/1"\nuid = "c"\ncatalogue = "postgresql://a@b/c"\n'],
        ),
        "request": (
            request,
            [
                b'{"kind": "rename", "at": "upper-left/dP3", "name": "dP4"}',
                b'{"kind": "cut", "at": [1, 2, 3], "stroke": [[0, 0, 0], [1, 1, 1]], "view": [0, 0, 1]}',
                b'{"kind": "midplane", "points": [[0, 0, 0], [1, 0, 0], [0, 1, 0]], "up": [0, 1, 0]}',
                b'{"kind": "amend", "finding": "formula/counts", "value": {"a": [1, null]}}',
            ],
        ),
        "terms": (terms, [b'{"catalogNumber": "OTC 1", "decimalLatitude": "-12.3", "humanRemains": "yes"}']),
        "formula": (_text(parse_formula), [b"I3/3 C1/1 P4/4 M2/3 = 42", b"i 3-3/3-3, c 1-1/1-1", b"3.1.4.2"]),
        "tooth": (_text(ToothName.parse), [b"upper left dP3", "P\u2074".encode(), b"m_1"]),
        "spacing": (_text(parse_spacing), [b"0.1,0.05,0.05", b"0.05"]),
        "box": (_text(box_from), [b"0:10,3:20,4:5"]),
    }


def _small_account() -> bytes:
    """Return an account of nothing, as a volume of noise gives it."""
    import numpy as np

    from ossicle.account import MadeBy, ScanFacts, Source, account_to_json, build_account
    from ossicle.reading import read

    volume = np.random.default_rng(0).normal(100, 5, (8, 9, 10)).astype(np.float32)
    facts = ScanFacts((8, 9, 10), (0.1, 0.1, 0.1), (Source("noise", "0" * 64),), handedness="stated")
    return account_to_json(build_account(read(volume, (0.1, 0.1, 0.1)), facts, MadeBy("0", {}, 1.0, 1.0))).encode()


def once(target: Target, data: bytes) -> str | None:
    """Run one input; return what is wrong with how it ended, None where it is as it should be."""
    try:
        target(data)
    except OssicleError as error:
        said = error.sentence()
        if "\n" in said or len(said) > 6000:
            return f"its sentence is none: {said[:200]!r}"
        try:
            said.encode("utf-8")
        except UnicodeEncodeError:
            return "its sentence cannot be printed"
    except BaseException as error:
        if isinstance(error, KeyboardInterrupt):
            raise
        return f"{type(error).__name__}: {error}"[:300]
    return None


WORDS = (
    b"null", b"[", b"{", b"}", b'"', b"-1", b"1e999", b"NaN", b"\xff", b"\x00", b"\n", b",", b"999999999999", b"../",
    b"true", b"[[[[[[[[", "\u2074\u0301".encode(), b"'", b"=",
)  # fmt: skip


def changed(data: bytes, rng: random.Random) -> bytes:
    """Return bytes changed at a few places."""
    out = bytearray(data)
    for _ in range(rng.randrange(1, 8)):
        at = rng.randrange(len(out) + 1)
        match rng.randrange(5):
            case 0:
                out[at : at + 1] = bytes([rng.randrange(256)])
            case 1:
                del out[at : at + rng.randrange(1, 30)]
            case 2:
                out[at:at] = out[rng.randrange(len(out) + 1) :][: rng.randrange(1, 60)]
            case 3:
                out[at:at] = rng.choice(WORDS)
            case _:
                out[at : at + rng.randrange(1, 12)] = rng.choice(WORDS)
    return bytes(out[:MOST_BYTES])


def blind(target: Target, seeds: list[bytes], seconds: float, found: Callable[[bytes, str], None]) -> int:
    """Try changed inputs for so long; return how many."""
    rng, count, pool = random.Random(1), 0, list(seeds)
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        data = changed(rng.choice(pool), rng)
        count += 1
        wrong = once(target, data)
        if wrong is not None:
            found(data, wrong)
        elif len(pool) < 500 and rng.random() < 0.02:
            pool.append(data)
    return count


def guided(target: Target, seeds: list[bytes], seconds: float, found: Callable[[bytes, str], None]) -> None:
    """Try inputs that reach new code for so long; ends the process."""
    import atheris

    with tempfile.TemporaryDirectory() as place:
        for n, seed in enumerate(seeds):
            Path(place, str(n)).write_bytes(seed)

        def run(data: bytes) -> None:
            wrong = once(target, data)
            if wrong is not None:
                found(data, wrong)

        atheris.Setup(
            [sys.argv[0], f"-max_total_time={int(seconds)}", f"-max_len={MOST_BYTES}", "-timeout=20", place], run
        )
        atheris.Fuzz()


def _atheris() -> Any:
    """Return atheris, or None where it is not installed."""
    try:
        import atheris
    except ImportError:
        print("atheris is not installed, so the changes are blind", file=sys.stderr)
        return None
    return atheris


def main() -> None:
    """Parse the command line and try."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("target", help="its name, or all")
    parser.add_argument("--seconds", type=float, default=60, help="for each target")
    parser.add_argument("--findings", type=Path, help="a folder for inputs that broke something")
    parser.add_argument("--blind", action="store_true", help="do not use atheris")
    given = parser.parse_args()
    guide = given.target != "all" and not given.blind and _atheris()
    with guide.instrument_imports(include=["ossicle"]) if guide else nullcontext():
        known = targets()
        for name, (target, seeds) in known.items():
            if given.target in (name, "all"):
                for seed in seeds:
                    assert once(target, seed) is None, (name, seed, once(target, seed))
    if given.target not in (*known, "all"):
        parser.error(f"no target is called {given.target}; there are {', '.join(known)}")
    names = list(known) if given.target == "all" else [given.target]
    for name in names:
        target, seeds = known[name]
        told: set[str] = set()

        def found(data: bytes, wrong: str, name: str = name, told: set[str] = told) -> None:
            kind = wrong.split(":")[0]
            if kind in told:
                return
            told.add(kind)
            print(f"{name}: {wrong} of {data[:120]!r}", flush=True)
            if given.findings is not None:
                place = given.findings / name
                place.mkdir(parents=True, exist_ok=True)
                (place / hashlib.sha256(data).hexdigest()[:16]).write_bytes(data)

        if guide:
            guided(target, seeds, given.seconds, found)
            return
        count = blind(target, seeds, given.seconds, found)
        print(f"| {name} | {count} | {len(told)} |", flush=True)


if __name__ == "__main__":
    main()
