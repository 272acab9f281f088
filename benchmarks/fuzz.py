"""Texts and files that people hand to Ossicle, changed at random: a result or one sentence, never anything else.

``python -m benchmarks.fuzz TARGET --seconds 1800`` goes through one target; ``--findings FOLDER`` keeps what broke it;
``python -m benchmarks.fuzz_all`` goes through all and writes docs/fuzz.md.
Where atheris is installed (``pip install atheris``) the changes are guided by what code they reach, else blind. What
was found once lies in ``tests/fuzz/corpus`` and is tried by every test run.
"""

from __future__ import annotations

import argparse
import hashlib
import logging
import random
import sys
import tempfile
import time
import warnings
from collections.abc import Callable, Sequence
from contextlib import nullcontext
from pathlib import Path
from typing import Any

from benchmarks.fuzz_json import holds_json, mutator
from benchmarks.fuzz_scans import LIBRARIES
from benchmarks.fuzz_targets import Target, targets
from ossicle.errors import OssicleError

MOST_BYTES = 20_000


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
    return bytes(out[: max(MOST_BYTES, len(data))])


def blind(target: Target, seeds: Sequence[bytes], seconds: float, found: Callable[[bytes, str], None]) -> int:
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


def guided(
    target: Target,
    seeds: Sequence[bytes],
    seconds: float,
    found: Callable[[bytes, str], None],
    kept: Path | None = None,
    findings: Path | None = None,
) -> None:
    """Try inputs that reach new code for so long, keep those in ``kept``; ends the process."""
    import atheris

    with tempfile.TemporaryDirectory() as gone:
        place = Path(gone) if kept is None else kept
        place.mkdir(parents=True, exist_ok=True)
        for n, seed in enumerate(seeds):
            (place / f"seed-{n}").write_bytes(seed)
        broke = f"-artifact_prefix={gone if findings is None else findings}/"  # what ends the process itself

        def run(data: bytes) -> None:
            wrong = once(target, data)
            if wrong is not None:
                found(data, wrong)

        longest = max(MOST_BYTES, *(2 * len(seed) for seed in seeds))
        bounds = [f"-max_total_time={int(seconds)}", f"-max_len={longest}", "-timeout=20"]
        command = [sys.argv[0], *bounds, "-print_final_stats=1", broke, str(place)]
        if any(map(holds_json, seeds)):
            atheris.Setup(command, run, custom_mutator=mutator(lambda data, most: atheris.Mutate(data, most)))
        else:
            atheris.Setup(command, run)
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
    parser.add_argument("--corpus", type=Path, help="a folder that keeps the inputs which reached new code")
    parser.add_argument("--blind", action="store_true", help="do not use atheris")
    given = parser.parse_args()
    warnings.simplefilter("ignore")  # what libraries say of odd files would fill the terminal
    logging.disable(logging.CRITICAL)
    guide = given.target != "all" and not given.blind and _atheris()
    guiding = LIBRARIES if given.target.startswith("scan-") else ["ossicle", "commonnexus"]
    with guide.instrument_imports(include=guiding) if guide else nullcontext():
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
            if given.findings is not None:
                given.findings.mkdir(parents=True, exist_ok=True)
            guided(target, seeds, given.seconds, found, given.corpus, given.findings)
            return
        count = blind(target, seeds, given.seconds, found)
        print(f"| {name} | {count} | {len(told)} |", flush=True)


if __name__ == "__main__":
    main()
