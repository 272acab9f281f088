"""From files to a calibrated volume: the one way in."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ossicle.errors import OssicleError
from ossicle.scans.cache import Cache
from ossicle.scans.checks import PlaneWatch
from ossicle.scans.formats import Request, Stack, families, family_of
from ossicle.scans.formats._stack import reading
from ossicle.scans.geometry import Geometry
from ossicle.scans.limits import check_claim, stored_type
from ossicle.scans.model import Scan, SeriesInfo, Source
from ossicle.scans.naming import printable, shown
from ossicle.scans.sidecar import Sidecar, find_sidecar, sidecar_places
from ossicle.scans.spacing import plausibility, resolve_spacing
from ossicle.scans.store import STORE_VERSION, StoreWriter, is_own_store, open_store

__all__ = ["Progress", "list_series", "load"]

Progress = Callable[[str, float], None]
"""Called with the name of the stage and the fraction done; it may raise to stop the work."""

SLICE_FOLDERS = ("slices",)
"""Names of a folder of slices inside a specimen's folder that is looked into by itself."""


def load(
    source: Path,
    *,
    spacing_mm_zyx: Sequence[float] | float | None = None,
    series: str | None = None,
    mirrored: bool = False,
    progress: Progress | None = None,
    cache: Path | None = None,
    threads: int = 2,
) -> Scan:
    """Take in a scan: a file, a folder of slices, or a store written by Ossicle.

    The volume is converted slab by slab into an OME-Zarr 0.5 store in the cache; an unchanged scan is served
    from there. No more than a few slabs are in memory at a time.

    Parameters
    ----------
    source
        A file or folder of any format in :mod:`ossicle.scans.formats`.
    spacing_mm_zyx
        Distance of voxel centres in mm along slice, row, column, or one number for all. It wins over what the
        files or a sidecar state.
    series
        Which of several stacks in a folder (see :func:`list_series`).
    mirrored
        The axes (column, row, slice) are left-handed, whatever the files state.
    progress
        Called with a stage's name and the fraction done; may raise :class:`~ossicle.errors.Cancelled`.
    cache
        Folder for converted volumes; ``OSSICLE_CACHE`` or the user's cache folder where None.
    threads
        Most threads used for reading and compression.

    Raises
    ------
    OssicleError
        The source is missing, damaged, not a volume of grey values, or its scale is not stated anywhere.
        Nothing is left behind.
    """
    with _plain_sentences():
        return _load(Path(source), spacing_mm_zyx, series, mirrored, progress, cache, threads)


def _load(
    source: Path,
    spacing_mm_zyx: Sequence[float] | float | None,
    series: str | None,
    mirrored: bool,
    progress: Progress | None,
    cache: Path | None,
    threads: int,
) -> Scan:
    tell = progress or (lambda stage, fraction: None)
    _check_exists(source)
    if is_own_store(source):
        return open_store(source, threads=threads)
    source = _inner_slices(source)
    options = {
        "spacing": None if spacing_mm_zyx is None else np.atleast_1d(np.asarray(spacing_mm_zyx, dtype=float)).tolist(),
        "series": series,
        "mirrored": mirrored,
    }
    kept = Cache(cache)
    began_ns = time.time_ns()
    request = json.dumps([STORE_VERSION, str(source.absolute()), options])
    listing = _listing(source)
    key = kept.remembered(request, listing)
    if key is not None:
        kept.touch(key)
        try:
            return open_store(kept.path_of(key), threads=threads)
        except OssicleError:
            kept.discard(key)
    tell("opening", 0.0)
    stack = family_of(source).open_stack(source, Request(series))
    try:
        plan = _Plan(source, stack, spacing_mm_zyx, mirrored)
        key = _Intake(plan, kept, tell, max(1, threads)).run()
    finally:
        stack.close()
    kept.remember(request, listing, stack.files, key, began_ns)
    return open_store(kept.path_of(key), threads=threads)


def list_series(source: Path) -> list[SeriesInfo]:
    """List the stacks that a folder holds: DICOM series, or slices told apart by their names.

    Raises
    ------
    OssicleError
        The folder is missing, empty or unreadable.
    """
    source = Path(source)
    found: list[SeriesInfo] = []
    with _plain_sentences():
        _check_exists(source)
        source = _inner_slices(source)
        for family in families():
            with reading(source, family.KIND):
                if family.probe(source):
                    found.extend(family.list_series(source))
    return found


@contextmanager
def _plain_sentences() -> Iterator[None]:
    """Keep what a file says in its own words from reaching a terminal as it is."""
    try:
        yield
    except OssicleError as error:
        what, where, mend = (
            None if text is None else printable(text) for text in (error.what, error.where, error.mend)
        )
        if (what, where, mend) == (error.what, error.where, error.mend):
            raise
        raise OssicleError(what or "", where=where, mend=mend) from error


class _Plan:
    """All that is known before voxels are read: geometry, unit and the warnings so far."""

    def __init__(self, source: Path, stack: Stack, option: Sequence[float] | float | None, mirrored: bool) -> None:
        self.source, self.stack = source, stack
        sidecar = find_sidecar(source) or Sidecar(source)
        self.warnings = list(stack.warnings)
        spacing, said = resolve_spacing(
            option, stack.spacing, sidecar.spacing, where=shown(source), hint=stack.spacing_hint
        )
        self.warnings += said
        self.geometry = self._geometry(spacing, sidecar, mirrored)
        self.grey_unit = printable(stack.grey_unit or sidecar.grey_unit or "grey value")
        self.warnings += plausibility(stack.shape_zyx, spacing)
        check_claim(stack.shape_zyx, 0, 0, where=shown(source), packed=False)
        self.dtype = stored_type(stack.dtype, where=shown(source))

    def _geometry(self, spacing: tuple[float, float, float], sidecar: Sidecar, mirrored: bool) -> Geometry:
        stack = self.stack
        stated = Geometry(spacing)
        if stack.affine is not None:
            x, y, z = np.linalg.norm(stack.affine[:3, :3], axis=0)
            stated = Geometry((float(z), float(y), float(x)), stack.affine, False, not stack.handedness_known)
            stated = stated.with_spacing(spacing)
            if stated.shear_degrees() > 0.5:
                self.warnings.append(
                    f"The slices are shifted against one another (axes {stated.shear_degrees():.1f} degrees "
                    "off the "
                    "right angle, as with a tilted gantry): shapes and sizes measured on them are skewed."
                )
        says_left = mirrored or bool(sidecar.mirrored)
        settled = mirrored or sidecar.mirrored is not None
        by = "the option --mirrored" if mirrored else shown(sidecar.path.name)
        if settled and not stated.handedness_assumed and says_left != (stated.handedness() == "left"):
            self.warnings.append(
                f"The file states {stated.handedness()}-handed axes, {by} the opposite; {by} was followed."
            )
            if (
                not says_left
            ):  # a sidecar's "mirrored: false" against a left-handed affine: the affine is the file's word
                self.warnings[-1] = (
                    f"The file states left-handed axes, {by} says they are not mirrored; the file was followed."
                )
        if settled:
            return Geometry(spacing, stated.affine, says_left, False)
        if stated.handedness_assumed:
            self.warnings.append(
                "Nothing states whether the stack is mirrored: its axes (column, row, slice) were taken as "
                "right-handed. "
                "If the scanner's export mirrors, left and right are swapped; --mirrored says so."
            )
        return stated


class _Intake:
    """One conversion: read, check, hash, write."""

    def __init__(self, plan: _Plan, cache: Cache, tell: Progress, threads: int) -> None:
        self.plan, self.stack, self.cache, self.tell, self.threads = plan, plan.stack, cache, tell, threads
        self.watch = PlaneWatch(shown(plan.source), plan.stack.shape_zyx[0])

    def run(self) -> str:
        """Return the key of the finished store."""
        files = list(self.stack.files)
        with reading(self.plan.source, "a scan"):
            sizes = [_size(path) for path in files]
        if self.cache.sizes_known(sizes):
            for number, path in enumerate(files):
                self.tell("comparing with scans taken in before", number / len(files))
                self._digest(path)
            key = self._key()
            if self.cache.path_of(key).is_dir():
                try:
                    open_store(self.cache.path_of(key))
                except OssicleError:
                    self.cache.discard(key)
                else:
                    self.cache.touch(key)
                    return key
        z, y, x = self.stack.shape_zyx
        with self.cache.new_store(int(z * y * x * self.plan.dtype.itemsize * 1.15) + (1 << 20)) as folder:
            key = self._convert(folder / "store")
            self.cache.keep(folder / "store", key)
        self.cache.note_sizes(sizes)
        return key

    def _convert(self, folder: Path) -> str:
        stack, total = self.stack, self.stack.shape_zyx[0]
        writer = StoreWriter(folder, stack.shape_zyx, self.plan.dtype, self.threads)
        thick = writer.slab
        bounds = [(z, min(z + thick, total)) for z in range(0, total, thick)]
        per_slice_digests = len(stack.files) == total
        with (
            ThreadPoolExecutor(self.threads, thread_name_prefix="intake") as pool,
            ThreadPoolExecutor(1, thread_name_prefix="intake-ahead") as ahead,
            ThreadPoolExecutor(1, thread_name_prefix="intake-digest") as digester,
        ):
            digests = [] if per_slice_digests else [digester.submit(self._digest, path) for path in stack.files]
            coming: Future[NDArray[Any]] = ahead.submit(self._slab, *bounds[0], pool)
            try:
                for number, (z0, _) in enumerate(bounds):
                    self.tell("reading slices", z0 / total)
                    slab = coming.result()
                    if number + 1 < len(bounds):
                        coming = ahead.submit(self._slab, *bounds[number + 1], pool)
                    writer.append(slab, pool)
                for future in digests:
                    future.result()
            except BaseException:
                self.stopped = True
                for executor in (ahead, pool, digester):
                    executor.shutdown(wait=False, cancel_futures=True)
                raise
        for path in stack.files:
            self._digest(path)
        key = self._key()
        low_high, warnings = self.watch.verdict()
        scan = Scan(
            values=np.empty((0, 0, 0), self.plan.dtype),
            geometry=self.plan.geometry,
            sources=self._sources(),
            grey_unit=self.plan.grey_unit,
            warnings=tuple(printable(text) for text in (*self.plan.warnings, *warnings)),
            slope=stack.slope,
            intercept=stack.intercept,
            value_range=low_high,
        )
        writer.finish(scan, key)
        self.tell("reading slices", 1.0)
        return key

    stopped = False

    def _slab(self, z0: int, z1: int, pool: ThreadPoolExecutor) -> NDArray[Any]:
        _, y, x = self.stack.shape_zyx
        out = np.empty((z1 - z0, y, x), self.plan.dtype)

        def take(a: int, b: int) -> None:
            if self.stopped:
                return
            block = self.watch.convert(self.stack.read(a, b), a, self.plan.dtype)
            out[a - z0 : b - z0] = block
            self.watch.look(out[a - z0 : b - z0], a)

        if self.stack.parallel:
            one_file_a_slice = len(self.stack.files) == self.stack.shape_zyx[0]
            step = 1 if one_file_a_slice else max(1, min(4, (z1 - z0) // (2 * self.threads)))
            list(pool.map(lambda a: take(a, min(a + step, z1)), range(z0, z1, step)))
        else:
            step = max(1, min(self.stack.at_once, z1 - z0))
            for a in range(z0, z1, step):
                take(a, min(a + step, z1))
        return out

    def _digest(self, path: Path) -> None:
        if path in self.stack.digests or self.stopped:
            return
        with reading(path, "a file"):
            self.stack.digests[path] = _digest_folder(path) if path.is_dir() else _digest_file(path)

    def _sources(self) -> tuple[Source, ...]:
        return tuple(Source(self.stack.name_of(path), *self.stack.digests[path]) for path in self.stack.files)

    def _key(self) -> str:
        plan = self.plan
        facts = [
            STORE_VERSION,
            [[s.name, s.sha256, s.bytes] for s in self._sources()],
            plan.geometry.as_json(),
            plan.grey_unit,
            [self.stack.slope, self.stack.intercept],
            list(self.stack.shape_zyx),
            plan.dtype.str,
            plan.warnings,
        ]
        return hashlib.sha256(json.dumps(facts).encode("ascii")).hexdigest()


def _check_exists(source: Path) -> None:
    with reading(source, "a scan"):
        source.resolve(strict=True)
        if not (source.is_dir() or source.is_file()):
            raise OssicleError("this is neither a file nor a folder", where=shown(source))


def _inner_slices(source: Path) -> Path:
    """Return the folder of slices, or the one volume, inside a specimen's folder; else the source itself."""
    if not source.is_dir() or any(_probe(family, source) for family in families()):
        return source
    inner = [source / name for name in SLICE_FOLDERS if (source / name).is_dir()]
    if inner:
        return inner[0]
    with reading(source, "a folder"):
        below = sorted(p for p in source.iterdir() if p.is_file() and not p.name.startswith("."))
    for family in families():  # raw files come last, after the headers that may name them
        found = [path for path in below if _probe(family, path)]
        if found:
            return found[0] if len(found) == 1 else source
    return source


def _probe(family: Any, source: Path) -> bool:
    with reading(source, family.KIND):
        return bool(family.probe(source))


def _listing(source: Path) -> list[Path]:
    """Return the files whose change would change the scan: its own, and places of its sidecar."""
    with reading(source, "a folder"):
        own = sorted(p for p in source.rglob("*") if p.is_file()) if source.is_dir() else [source]
    return [*own, *sidecar_places(source)]


def _size(path: Path) -> int:
    if path.is_dir():
        return sum(p.stat().st_size for p in path.rglob("*") if p.is_file())
    return path.stat().st_size


def _digest_file(path: Path) -> tuple[str, int]:
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256")
        return digest.hexdigest(), file.tell()


def _digest_folder(folder: Path) -> tuple[str, int]:
    """Return the digest of a folder that is one image (see :class:`~ossicle.scans.model.Source`)."""
    total, lines = 0, []
    for path in sorted(p for p in folder.rglob("*") if p.is_file()):
        digest, size = _digest_file(path)
        total += size
        lines.append(f"{digest}  {shown(path.relative_to(folder))}\n")
    return hashlib.sha256("".join(lines).encode()).hexdigest(), total
