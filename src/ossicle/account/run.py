"""The whole way of one scan: load, read, account, write. The one place of this layer with files at both
ends."""

from __future__ import annotations

import hashlib
import re
import resource
import sys
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from ossicle import __version__
from ossicle.reading.hints import Hints
from ossicle.reading.records import Progress, Reading
from ossicle.scans.geometry import Geometry
from ossicle.scans.lazy import greys_of
from ossicle.scans.model import Scan

from .build import build_account
from .codec import account_to_json
from .folder import check_place, write_folder
from .frame import in_file_frame
from .records import Account, MadeBy, ScanFacts, Source
from .tables import dentition_csv

__all__ = ["Outcome", "peak_mb", "read_scan", "read_to_folder", "scan_facts", "source_name", "write_outcome"]

_LOADING = 0.15
"""Share of the whole work that taking in the scan takes in the progress told."""


_SAYS_LITTLE = {"slices", "scan", "images", "image", "stack", "tiff", "tif", "dicom", "data", "recon"}
_NUMBERED = re.compile(r"(?:series|serie|ser|se|st|study|im|image)[ _-]?[0-9]+", re.IGNORECASE)
"""Folders as exports of DICOM number them."""


@dataclass(frozen=True)
class Outcome:
    """An account, the reading that it was made from, and the grid of the scan."""

    account: Account
    reading: Reading
    geometry: Geometry


def scan_facts(scan: Scan) -> ScanFacts:
    """Return what the account keeps of a scan."""
    geometry = scan.geometry
    return ScanFacts(
        shape_zyx=scan.shape_zyx,
        spacing_mm_zyx=geometry.spacing_mm_zyx,
        sources=tuple(Source(s.name, s.sha256) for s in scan.sources),
        grey_unit=scan.grey_unit,
        handedness="mirrored" if geometry.mirrored else "assumed" if geometry.handedness_assumed else "stated",
        affine_mm=None if geometry.affine is None else tuple(tuple(float(v) for v in row) for row in geometry.affine),
    )


def read_scan(
    scan: Scan,
    *,
    dentition: str = "auto",
    specimen: int = 1,
    phantom: Sequence[float] | None = None,
    hints: Hints | None = None,
    threads: int = 2,
    memory_mb: float | None = None,
    progress: Progress | None = None,
    settings: dict[str, object] | None = None,
    started: float | None = None,
) -> Outcome:
    """Read a scan and make its account; nothing is written.

    Parameters
    ----------
    scan
        A calibrated volume.
    dentition
        Name of a dentition template, or ``auto``.
    specimen
        Which of several heads in the scan, the largest being 1.
    phantom
        Densities of the rods of a density phantom in the scan, g/cm3 of hydroxyapatite.
    hints
        What a person decided.
    threads
        How many threads may be used.
    memory_mb
        Most memory, MB, that may be used; None sets no limit.
    progress
        Called with a stage name and a share of the whole.
    settings
        Further settings to keep in the account.
    started
        `time.perf_counter` at the start of the whole work, for the seconds told.
    """
    from ossicle.reading import read
    from ossicle.reading.device import device

    begun = time.perf_counter() if started is None else started
    hints = hints if hints is not None else Hints()
    reading = read(
        greys_of(scan),
        scan.geometry.spacing_mm_zyx,
        dentition=dentition,
        specimen=specimen,
        phantom=phantom,
        hints=hints,
        right_handed=scan.geometry.handedness() == "right",
        threads=threads,
        memory_mb=memory_mb,
        progress=progress,
    )
    facts = scan_facts(scan)
    kept = {"dentition": dentition, "specimen": specimen, "threads": threads, **(settings or {})}
    if memory_mb is not None:
        kept["memory_mb"] = memory_mb
    if (where := device()) != "cpu":
        kept["device"] = where
    if phantom is not None:
        kept["phantom_g_cm3"] = [float(d) for d in phantom]
    if hints != Hints():
        kept["hints"] = asdict(hints)
    made_by = MadeBy(
        version=__version__,
        settings=kept,
        seconds=round(time.perf_counter() - begun, 2),
        peak_mb=peak_mb(),
        stages={name: round(seconds, 3) for name, seconds in reading.stages.items()},
    )
    framed = in_file_frame(reading, facts.spacing_mm_zyx, facts.affine_mm)
    placed = tuple(landmark.name for landmark in hints.landmarks)
    account = build_account(framed, facts, made_by, warnings=scan.warnings, placed=placed)
    return Outcome(account, reading, scan.geometry)


def read_to_folder(
    source: str | Path,
    out: Path | None,
    *,
    spacing_mm_zyx: Sequence[float] | None = None,
    series: str | None = None,
    mirrored: bool = False,
    dentition: str = "auto",
    specimen: int = 1,
    phantom: Sequence[float] | None = None,
    hints: Hints | None = None,
    threads: int = 2,
    memory_mb: float | None = None,
    progress: Progress | None = None,
) -> Outcome:
    """Take in a scan, read it, and write the folder of its account, whole or not at all.

    Parameters
    ----------
    source
        A folder of slices or a file.
    out
        Where to write; None writes nothing.
    spacing_mm_zyx, series, mirrored
        As `ossicle.scans.load` takes them.
    dentition, specimen, phantom, hints, threads, memory_mb, progress
        As `read_scan` takes them.

    Raises
    ------
    OssicleError
        With one sentence, for anything a person can mend; nothing has been written then.
    """
    from ossicle.reading.device import device
    from ossicle.scans import load

    started = time.perf_counter()
    device()  # a device that is not there is told before long work
    if out is not None:
        check_place(out)
    scan = load(
        Path(source),
        spacing_mm_zyx=spacing_mm_zyx,
        series=series,
        mirrored=mirrored,
        threads=threads,
        progress=None if progress is None else _share(progress, 0.0, _LOADING),
    )
    settings: dict[str, object] = {"source": source_name(Path(source).absolute()), "mirrored": mirrored}
    if spacing_mm_zyx is not None:
        settings["spacing_mm_zyx"] = [float(s) for s in spacing_mm_zyx]
    if series is not None:
        settings["series"] = series
    outcome = read_scan(
        scan,
        dentition=dentition,
        specimen=specimen,
        phantom=phantom,
        hints=hints,
        threads=threads,
        memory_mb=memory_mb,
        progress=None if progress is None else _share(progress, _LOADING, 0.95),
        settings=settings,
        started=started,
    )
    if out is None:
        return outcome
    if progress is not None:
        progress("writing the account", 0.95)
    account = write_outcome(out, outcome)
    if progress is not None:
        progress("writing the account", 1.0)
    return replace(outcome, account=account)


def write_outcome(out: Path, outcome: Outcome) -> Account:
    """Write the folder of an account, whole or not at all; return the account as it was written."""
    written: list[Account] = []
    write_folder(out, lambda folder: written.append(_fill(folder, outcome)))
    return written[0]


def _fill(folder: Path, outcome: Outcome) -> Account:
    from ossicle.scans import write_parts_nifti

    from .html import account_html

    account = outcome.account
    parts = folder / "parts.nii.gz"
    write_parts_nifti(parts, outcome.reading.labels, outcome.geometry)
    if outcome.reading.enamel is not None:
        write_parts_nifti(folder / "enamel.nii.gz", outcome.reading.enamel, outcome.geometry)
    with open(parts, "rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    account = replace(account, made_by=replace(account.made_by, parts_sha256=digest))
    texts = {
        "dentition.csv": dentition_csv(account),
        "account.html": account_html(account, outcome.reading),
        "account.json": account_to_json(account),
    }
    for name, text in texts.items():
        (folder / name).write_bytes(text.encode("utf-8"))
    return account


def source_name(source: Path) -> str:
    """Return how a source is called in the account: its name, with its folder's where that says little."""
    if (source.name.lower() in _SAYS_LITTLE or _NUMBERED.fullmatch(source.name)) and source.parent.name:
        return f"{source.parent.name}/{source.name}"
    return source.name or "scan"


def _share(progress: Progress, start: float, stop: float) -> Progress:
    """Map a share of one step to the whole; it never goes back, though each stage may start at 0."""
    reached = start

    def told(stage: str, fraction: float) -> None:
        nonlocal reached
        reached = max(reached, start + (stop - start) * min(max(fraction, 0.0), 1.0))
        progress(stage, reached)

    return told


def peak_mb() -> float:
    """Return the most memory that this process has held, MB."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return round(peak / (1024 * 1024 if sys.platform == "darwin" else 1024), 1)
