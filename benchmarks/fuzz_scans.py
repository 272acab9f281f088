"""What the fuzz bench tries on the readers of scans: one file's bytes, alone or among whole slices; the volume is read.

The whole files to start from are those of the tests of damaged bytes (``tests/scans/test_damaged_bytes.py``): a volume
of 4 x 9 x 7 voxels in each format and packing that is read.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from unittest import mock

ROOT = Path(__file__).resolve().parent.parent
LIBRARIES = ["ossicle", "pydicom", "tifffile", "nibabel", "nrrd"]
"""Whose code guides the changes: ours, and that of the libraries in Python which read for us."""
MEMORY = "/dev/shm" if Path("/dev/shm").is_dir() else None

Target = Callable[[bytes], object]


def one_writer() -> AbstractContextManager[object]:
    """Wait less for other threads after a fault: stores of one piece are written by one."""
    from ossicle.scans import cache

    return mock.patch.object(cache, "_LAST_WRITES_SECONDS", 0.02)


def reader(name: str, beside: dict[str, bytes], source: str) -> Target:
    """Return a target that lays its bytes down as ``name`` among whole files and reads the scan at ``source``."""

    def run(data: bytes) -> object:
        from ossicle.scans import load

        with (
            one_writer(),
            tempfile.TemporaryDirectory(prefix="ossicle-fuzz-", dir=MEMORY) as place,
        ):
            folder = Path(place, "a")
            folder.mkdir()
            for other, held in beside.items():
                (folder / other).write_bytes(held)
            (folder / name).write_bytes(data)
            try:
                return load(folder / source, spacing_mm_zyx=1, cache=Path(place, "cache")).array()
            finally:
                assert not list(Path(place, "cache").rglob(".new-*")), "a half-written store was left"
                assert sorted(p.name for p in Path(place).iterdir()) in (["a"], ["a", "cache"]), "it wrote elsewhere"

    return run


def picture(data: bytes) -> object:
    """Read two slices that are these bytes, as the kind of picture that they say they are."""
    suffix = {b"BM": ".bmp", b"\xff\xd8": ".jpg"}.get(data[:2], ".png")
    return reader(f"1{suffix}", {f"0{suffix}": data}, ".")(data)


def scan_targets() -> dict[str, tuple[Target, list[bytes]]]:
    """Return by name what is tried on readers of scans, and whole files to start from."""
    sys.path.append(str(ROOT / "tests"))
    from scans.test_damaged_bytes import MAKERS

    place = Path(tempfile.mkdtemp(prefix="ossicle-fuzz-"))

    def files(maker: str) -> dict[str, bytes]:
        folder = place / maker.replace(" ", "-")
        folder.mkdir()
        MAKERS[maker](folder)
        return {p.name: p.read_bytes() for p in sorted(folder.iterdir())}

    def seeds(*makers: str, of: str = "") -> list[bytes]:
        return [held for maker in makers for name, held in files(maker).items() if name.endswith(of)]

    packed = ["dicom rle", "dicom jpeg lossless", "dicom jpeg-ls", "dicom jpeg 2000"]
    slices, dicom, raw = files("tiff slices"), files("dicom"), files("raw")
    detached, two_part = files("nrrd detached"), files("metaimage packed")
    one, seen = next(iter(dicom)), next(iter(slices))
    nhdr = next(n for n in detached if n.endswith(".nhdr"))
    mhd = next(n for n in two_part if n.endswith(".mhd"))
    found: dict[str, tuple[Target, list[bytes]]] = {
        "scan-tiff": (reader("a.tif", {}, "a.tif"), seeds("tiff pages", "tiff pages, packed", "bigtiff", "ome tiff")),
        "scan-tiff-slices": (reader(seen, slices, "."), list(slices.values())),
        "scan-picture": (picture, [*seeds("png")[:1], *seeds("bmp")[:1], *seeds("jpeg")[:1]]),
        "scan-dicom": (reader(one, dicom, "."), [dicom[one], *(seeds(m)[0] for m in packed)]),
        "scan-dicom-frames": (reader("a.dcm", {}, "a.dcm"), seeds("dicom frames")),
        "scan-nifti": (reader("a.nii", {}, "a.nii"), seeds("nifti")),
        "scan-nifti-packed": (reader("a.nii.gz", {}, "a.nii.gz"), seeds("nifti gz")),
        "scan-nrrd": (reader("a.nrrd", {}, "a.nrrd"), seeds("nrrd", "nrrd gzip", "nrrd text")),
        "scan-nrrd-detached": (reader(nhdr, detached, nhdr), [detached[nhdr]]),
        "scan-metaimage": (reader("a.mha", {}, "a.mha"), seeds("metaimage")),
        "scan-metaimage-two": (reader(mhd, two_part, mhd), [two_part[mhd]]),
        "scan-numpy": (reader("a.npy", {}, "a.npy"), seeds("npy")),
        "scan-raw": (reader("a.json", raw, "a.raw"), [raw["a.json"]]),
    }
    shutil.rmtree(place)
    return found
