"""Every reader on truncated, flipped and spliced bytes: a scan or one OssicleError, and memory within bounds.

The number of examples can be raised for a long run: OSSICLE_FUZZ=2000 (per format).
"""

from __future__ import annotations

import os
import re
import resource
import shutil
import tempfile
from pathlib import Path

import nibabel as nib
import nrrd
import numpy as np
import pytest
import SimpleITK
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from pydicom.uid import ExplicitVRLittleEndian, JPEG2000Lossless, JPEGLosslessSV1, JPEGLSLossless, RLELossless

from ossicle.errors import OssicleError
from ossicle.scans import load

from .test_dicom import multiframe, save, write
from .test_omezarr import foreign

pytestmark = pytest.mark.filterwarnings("ignore::UserWarning", "ignore::RuntimeWarning")

EXAMPLES = int(os.environ.get("OSSICLE_FUZZ", "16"))
MOST_GROWTH_MB = 800
VOLUME = np.random.default_rng(7).integers(0, 4096, (4, 9, 7)).astype(np.uint16)


def tiff_slices(folder: Path) -> Path:
    for i, plane in enumerate(VOLUME):
        options = [
            {},
            {"compression": "zlib"},
            {"compression": "lzw", "predictor": True},
            {"tile": (16, 16)},
        ][i]
        tifffile.imwrite(folder / f"s{i}.tif", plane, **options)
    return folder


def tiff_pages(folder: Path, **options) -> Path:
    tifffile.imwrite(folder / "a.tif", VOLUME, photometric="minisblack", **options)
    return folder / "a.tif"


def pictures(suffix: str):
    def make(folder: Path) -> Path:
        for i, plane in enumerate(VOLUME):
            Image.fromarray(plane if suffix == ".png" else (plane >> 4).astype("u1")).save(folder / f"{i}{suffix}")
        return folder

    return make


def dicom(syntax):
    return lambda folder: write(folder, VOLUME, syntax=syntax, bits=12, names=lambda i: f"{i}.dcm")


def dicom_frames(folder: Path) -> Path:
    save(multiframe(VOLUME, [2, 0, 1, 3]), folder / "a.dcm", VOLUME)
    return folder / "a.dcm"


def nifti(name: str):
    def make(folder: Path) -> Path:
        nib.save(nib.Nifti1Image(VOLUME.T, np.diag([0.1, 0.1, 0.2, 1])), folder / name)
        return folder / name

    return make


def nrrds(encoding: str, name: str = "a.nrrd"):
    def make(folder: Path) -> Path:
        header = {"spacings": [0.1, 0.1, 0.2], "encoding": encoding}
        nrrd.write(str(folder / name), VOLUME.T, header, detached_header=name.endswith("nhdr"))
        return folder / name

    return make


def metaimage(name: str, packed: bool):
    def make(folder: Path) -> Path:
        SimpleITK.WriteImage(SimpleITK.GetImageFromArray(VOLUME), str(folder / name), useCompression=packed)
        return folder / name

    return make


def raw(folder: Path) -> Path:
    (folder / "a.raw").write_bytes(VOLUME.tobytes())
    (folder / "a.json").write_text('{"shape_zyx": [4, 9, 7], "type": "uint16", "byte_order": "little"}')
    return folder / "a.raw"


def npy(folder: Path) -> Path:
    np.save(folder / "a.npy", VOLUME)
    return folder / "a.npy"


def ome(version: str):
    return lambda folder: foreign(folder / "a.zarr", VOLUME, version)


def own_store(folder: Path) -> Path:
    scan = load(tiff_slices(folder), spacing_mm_zyx=1, cache=folder / "cache")
    assert scan.store is not None
    shutil.copytree(scan.store, folder / "own")
    return folder / "own"


MAKERS = {
    "tiff slices": tiff_slices,
    "tiff pages": tiff_pages,
    "tiff pages, packed": lambda folder: tiff_pages(folder, compression="zstd"),
    "bigtiff": lambda folder: tiff_pages(folder, bigtiff=True),
    "ome tiff": lambda folder: tiff_pages(folder, ome=True, metadata={"axes": "ZYX", "PhysicalSizeX": 30.0}),
    "png": pictures(".png"),
    "bmp": pictures(".bmp"),
    "jpeg": pictures(".jpg"),
    "dicom": dicom(ExplicitVRLittleEndian),
    "dicom rle": dicom(RLELossless),
    "dicom jpeg lossless": dicom(JPEGLosslessSV1),
    "dicom jpeg-ls": dicom(JPEGLSLossless),
    "dicom jpeg 2000": dicom(JPEG2000Lossless),
    "dicom frames": dicom_frames,
    "nifti": nifti("a.nii"),
    "nifti gz": nifti("a.nii.gz"),
    "nrrd": nrrds("raw"),
    "nrrd gzip": nrrds("gzip"),
    "nrrd text": nrrds("ascii"),
    "nrrd detached": nrrds("raw", "a.nhdr"),
    "metaimage": metaimage("a.mha", False),
    "metaimage packed": metaimage("a.mhd", True),
    "raw": raw,
    "npy": npy,
    "ome-zarr 0.4": ome("0.4"),
    "ome-zarr 0.5": ome("0.5"),
    "own store": own_store,
}

INTERESTING = [
    b"\0",
    b"\xff",
    b"\x7f\xff\xff\xff",
    b"\xff" * 8,
    b"\0" * 8,
    b"\0\0\0\x80",
    b"-1",
    b"999999999999",
    b"1e999",
]


@st.composite
def damage(draw: st.DrawFn) -> list[tuple[str, float, bytes]]:
    """Return kinds of damage, each at a relative place (mostly in the file's head), with bytes."""
    place = st.one_of(st.floats(0, 1), st.floats(0, 0.2))
    step = st.one_of(
        st.tuples(st.just("cut"), place, st.just(b"")),
        st.tuples(st.just("flip"), place, st.binary(min_size=1, max_size=1)),
        st.tuples(
            st.sampled_from(["overwrite", "insert"]),
            place,
            st.one_of(st.sampled_from(INTERESTING), st.binary(max_size=6)),
        ),
        st.tuples(st.just("remove"), place, st.just(b"1234")),
        st.tuples(st.just("repeat"), place, st.just(b"1" * 32)),
    )
    return draw(st.lists(step, min_size=1, max_size=4))


def apply(raw_bytes: bytes, steps: list[tuple[str, float, bytes]]) -> bytes:
    data = bytearray(raw_bytes)
    for kind, where, what in steps:
        at = min(int(where * len(data)), max(len(data) - 1, 0))
        if kind == "cut":
            del data[at:]
        elif kind == "flip" and data:
            data[at] ^= what[0]
        elif kind == "overwrite":
            data[at : at + len(what)] = what
        elif kind == "insert":
            data[at:at] = what
        elif kind == "remove":
            del data[at : at + len(what)]
        elif kind == "repeat":
            data[at:at] = data[at : at + len(what)]
    return bytes(data)


def digits_changed(raw_bytes: bytes, number: int, value: bytes) -> bytes:
    """Replace one of the numbers written in a text header: the places a hostile header would choose."""
    found = list(re.finditer(rb"[0-9]+", raw_bytes[:4096]))
    if not found:
        return raw_bytes
    match = found[number % len(found)]
    return raw_bytes[: match.start()] + value + raw_bytes[match.end() :]


@pytest.fixture(scope="module", params=list(MAKERS))
def whole(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("whole")
    source = MAKERS[request.param](folder)
    load(source, spacing_mm_zyx=1, cache=tmp_path_factory.mktemp("cache")).array()  # the undamaged scan is read
    base = source if source.is_dir() else source.parent
    files = sorted(p for p in base.rglob("*") if p.is_file())
    return base, source, files


def check(whole, number: int, change) -> None:
    base, source, files = whole
    victim = files[number % len(files)]
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    sentences: list[str] = []
    with tempfile.TemporaryDirectory() as place:
        copy = Path(place) / "copy"
        shutil.copytree(base, copy)
        (copy / victim.relative_to(base)).write_bytes(change(victim.read_bytes()))
        try:
            scan = load(copy / source.relative_to(base), spacing_mm_zyx=1, cache=Path(place) / "cache")
            whole_volume = scan.array()
            assert np.isfinite(whole_volume).all()
        except OssicleError as error:
            sentences.append(str(error))
        left = list((Path(place) / "cache").rglob(".new-*"))
        assert not left
    for sentence in sentences:
        assert "\n" not in sentence
        sentence.encode("utf-8")
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    assert grown < MOST_GROWTH_MB, f"{grown:.0f} MB"


@settings(
    max_examples=EXAMPLES,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(number=st.integers(0, 63), steps=damage())
def test_bytes(whole, number, steps):
    check(whole, number, lambda data: apply(data, steps))


@settings(
    max_examples=max(5, EXAMPLES // 3),
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    number=st.integers(0, 63),
    which=st.integers(0, 200),
    value=st.sampled_from(
        [b"0", b"-1", b"65535", b"4294967295", b"99999999999999999999", b"1e30", b"nan", b"", b"1.5"]
    ),
)
def test_numbers_in_headers(whole, number, which, value):
    check(whole, number, lambda data: digits_changed(data, which, value))
