"""Files made to harm: what unfolds without end, what claims more than there is, what leads elsewhere.

Each ends in one sentence; memory grows by less than a bound far below what the file claims or unfolds to.
"""

from __future__ import annotations

import gzip
import io
import json
import os
import resource
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import nibabel as nib
import numpy as np
import pydicom
import pytest
import tifffile
from pydicom.uid import DeflatedExplicitVRLittleEndian

from ossicle.errors import OssicleError

from .test_dicom import write as write_dicom
from .test_omezarr import foreign

MOST_GROWTH_MB = 200
UNFOLDED = 600 * 2**20
VOLUME = np.random.default_rng(7).integers(0, 4096, (4, 9, 7)).astype(np.uint16)
NRRD = "NRRD0005\ntype: {type}\ndimension: 3\nsizes: {sizes}\nspacings: 1 1 1\nendian: little\nencoding: {encoding}\n"
MHD = "ObjectType = Image\nNDims = 3\nDimSize = {sizes}\nElementSpacing = 1 1 1\nElementType = MET_USHORT\n"


def zeros_packed(head: bytes = b"", wbits: int = 31) -> bytes:
    """Return a head and 600 MB of zeros, packed to less than 4 MB."""
    pack = zlib.compressobj(1, zlib.DEFLATED, wbits)
    out = [pack.compress(head)]
    block = bytes(2**22)
    out += [pack.compress(block) for _ in range(UNFOLDED // len(block))]
    return b"".join([*out, pack.flush()])


# -- what unfolds to more than its header says


def nifti_bomb(at: Path) -> Path:
    nib.save(nib.Nifti1Image(VOLUME.T, np.eye(4)), at / "a.nii")
    (at / "b.nii.gz").write_bytes(zeros_packed((at / "a.nii").read_bytes()))
    return at / "b.nii.gz"


def nifti_extension_bomb(at: Path) -> Path:
    """The voxels begin after 600 MB of an extension."""
    nib.save(nib.Nifti1Image(VOLUME.T, np.eye(4)), at / "a.nii")
    raw = bytearray((at / "a.nii").read_bytes()[:352])
    raw[108:112] = struct.pack("<f", UNFOLDED)
    raw[348:352] = b"\1\0\0\0"
    (at / "b.nii.gz").write_bytes(zeros_packed(bytes(raw)))
    return at / "b.nii.gz"


def nrrd_bomb(at: Path) -> Path:
    head = NRRD.format(type="uint16", sizes="7 9 4", encoding="gzip") + "\n"
    (at / "a.nrrd").write_bytes(head.encode() + zeros_packed(VOLUME.tobytes()))
    return at / "a.nrrd"


def metaimage_bomb(at: Path) -> Path:
    packed = zeros_packed(VOLUME.tobytes(), 15)
    (at / "a.zraw").write_bytes(packed)
    (at / "a.mhd").write_text(
        MHD.format(sizes="7 9 4")
        + f"CompressedData = True\nCompressedDataSize = {len(packed)}\nElementDataFile = a.zraw\n"
    )
    return at / "a.mhd"


def tiff_bomb(at: Path) -> Path:
    tifffile.imwrite(at / "a.tif", VOLUME, photometric="minisblack", compression="zlib")
    raw = bytearray((at / "a.tif").read_bytes())
    with tifffile.TiffFile(at / "a.tif") as file:
        tags = file.pages[0].tags
        places = tags["StripOffsets"].valueoffset, tags["StripByteCounts"].valueoffset
        kinds = tags["StripOffsets"].dtype, tags["StripByteCounts"].dtype
    packed = zeros_packed(wbits=15)
    for place, kind, value in zip(places, kinds, (len(raw), len(packed)), strict=True):
        size = {3: "<H", 4: "<I"}[int(kind)]
        if size == "<H" and value > 65535:
            raw[place - 6 : place - 4] = struct.pack("<H", 4)  # the tag's type becomes LONG; one value lies within it
            size = "<I"
        raw[place : place + struct.calcsize(size)] = struct.pack(size, value)
    (at / "a.tif").write_bytes(bytes(raw) + packed)
    return at / "a.tif"


def dicom_bomb(at: Path) -> Path:
    write_dicom(at, VOLUME, names=lambda i: f"{i}.dcm")
    one = pydicom.dcmread(at / "1.dcm")
    one.file_meta.TransferSyntaxUID = DeflatedExplicitVRLittleEndian
    one.save_as(at / "1.dcm", enforce_file_format=True)
    raw = (at / "1.dcm").read_bytes()
    begin = 132 + 12 + int.from_bytes(raw[140:144], "little")
    whole = zlib.decompress(raw[begin:], -15)
    (at / "1.dcm").write_bytes(raw[:begin] + zeros_packed(whole, -15))
    return at


def zarr_bomb(at: Path) -> Path:
    store = foreign(at / "a.zarr", VOLUME, "0.4")
    told = next(p for p in Path(store).rglob(".zarray"))
    said = json.loads(told.read_text())
    said["compressor"] = {"id": "zlib", "level": 1}
    told.write_text(json.dumps(said))
    packed = zeros_packed(wbits=15)
    for chunk in told.parent.rglob("*"):
        if chunk.is_file() and not chunk.name.startswith("."):
            chunk.write_bytes(packed)
    return Path(store)


BOMBS = [nifti_bomb, nifti_extension_bomb, nrrd_bomb, metaimage_bomb, tiff_bomb, dicom_bomb, zarr_bomb]


def grown_by(work: Callable[[], object]) -> tuple[float, str]:
    """Return by how many MB the process grew, and the sentence that it ended with, empty where none."""
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    said = ""
    try:
        work()
    except OssicleError as error:
        said = error.sentence()
        assert "\n" not in said
    return (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024, said


@pytest.fixture(scope="module", autouse=True)
def _warm() -> None:
    """So that memory of libraries is not counted as a bomb's."""
    np.zeros(2**23).sum()


@pytest.mark.parametrize("bomb", BOMBS, ids=[b.__name__.removesuffix("_bomb") for b in BOMBS])
def test_what_unfolds_without_end(tmp_path: Path, take, bomb) -> None:
    source = bomb(tmp_path)
    held = sum(p.stat().st_size for p in tmp_path.rglob("*") if p.is_file())
    assert held < 20 * 2**20
    grown, said = grown_by(lambda: take(source, spacing_mm_zyx=1).array())
    assert grown < MOST_GROWTH_MB, f"{grown:.0f} MB: {said}"


# -- headers that claim a volume of 10^12 voxels, or less than none


def nrrd(sizes: str, encoding: str = "raw"):
    def make(at: Path) -> Path:
        head = NRRD.format(type="uint16", sizes=sizes, encoding=encoding) + "\n"
        body = VOLUME.tobytes()
        (at / "a.nrrd").write_bytes(head.encode() + (gzip.compress(body) if encoding == "gzip" else body))
        return at / "a.nrrd"

    return make


def metaimage(sizes: str):
    def make(at: Path) -> Path:
        (at / "a.mha").write_bytes((MHD.format(sizes=sizes) + "ElementDataFile = LOCAL\n").encode() + VOLUME.tobytes())
        return at / "a.mha"

    return make


def nifti(*sizes: int):
    def make(at: Path) -> Path:
        """NIfTI-2, whose sizes have 64 bits."""
        nib.save(nib.Nifti2Image(VOLUME.T, np.eye(4)), at / "a.nii")
        raw = bytearray((at / "a.nii").read_bytes())
        raw[24:48] = struct.pack("<3q", *sizes)
        (at / "a.nii").write_bytes(bytes(raw))
        return at / "a.nii"

    return make


def npy(*shape: int):
    def make(at: Path) -> Path:
        file = io.BytesIO()
        np.lib.format.write_array_header_1_0(file, {"descr": "<u2", "fortran_order": False, "shape": shape})
        (at / "a.npy").write_bytes(file.getvalue() + VOLUME.tobytes())
        return at / "a.npy"

    return make


def raw(*shape: int):
    def make(at: Path) -> Path:
        (at / "a.raw").write_bytes(VOLUME.tobytes())
        (at / "a.json").write_text(json.dumps({"shape_zyx": shape, "type": "uint16", "byte_order": "little"}))
        return at / "a.raw"

    return make


def zarr(version: str, *shape: int):
    def make(at: Path) -> Path:
        store = Path(foreign(at / "a.zarr", VOLUME, version))
        for told in [*store.rglob(".zarray"), *store.rglob("zarr.json")]:
            said = json.loads(told.read_text())
            if "shape" in said:
                said["shape"] = list(shape)
                if min(shape) > 0:
                    if "chunks" in said:
                        said["chunks"] = list(shape)
                    else:
                        said["chunk_grid"]["configuration"]["chunk_shape"] = list(shape)
                told.write_text(json.dumps(said))
        return store

    return make


def dicom(frames: int, rows: int):
    def make(at: Path) -> Path:
        write_dicom(at, VOLUME, names=lambda i: f"{i}.dcm")
        for path in at.glob("*.dcm"):
            one = pydicom.dcmread(path)
            one.Rows = one.Columns = rows
            if frames > 1:
                one.NumberOfFrames = frames
            one.save_as(path)
        return at

    return make


def tiff(side: int):
    def make(at: Path) -> Path:
        for i in range(3):
            tifffile.imwrite(at / f"s{i}.tif", VOLUME[i])
            with tifffile.TiffFile(at / f"s{i}.tif") as file:
                places = [file.pages[0].tags[t].offset for t in ("ImageWidth", "ImageLength")]
            data = bytearray((at / f"s{i}.tif").read_bytes())
            for place in places:
                data[place + 2 : place + 12] = struct.pack("<HII", 4, 1, side)
            (at / f"s{i}.tif").write_bytes(bytes(data))
        return at

    return make


CLAIMS = {
    "nrrd": nrrd("10000 10000 10000"),
    "nrrd gzip": nrrd("10000 10000 10000", "gzip"),
    "nrrd negative": nrrd("7 -9 4"),
    "nrrd beyond 64 bits": nrrd("99999999999999999999 2 2"),
    "metaimage": metaimage("10000 10000 10000"),
    "metaimage negative": metaimage("7 -9 4"),
    "nifti": nifti(10000, 10000, 10000),
    "nifti negative": nifti(7, -9, 4),
    "nifti wraps round": nifti(2**32, 2**32, 4),
    "npy": npy(10000, 10000, 10000),
    "npy negative": npy(4, -9, 7),
    "raw": raw(10000, 10000, 10000),
    "raw negative": raw(4, -9, 7),
    "ome-zarr 0.4": zarr("0.4", 10000, 10000, 10000),
    "ome-zarr 0.5": zarr("0.5", 10000, 10000, 10000),
    "ome-zarr negative": zarr("0.4", 4, -9, 7),
    "dicom": dicom(1, 65535),
    "dicom frames": dicom(2**31 - 1, 9),
    "tiff": tiff(2**31),
}


@pytest.mark.parametrize("claim", list(CLAIMS))
def test_what_claims_more_than_there_is(tmp_path: Path, take, claim: str) -> None:
    source = CLAIMS[claim](tmp_path)
    grown, said = grown_by(lambda: take(source, spacing_mm_zyx=1).array())
    assert said, "it was taken in"
    assert grown < MOST_GROWTH_MB, f"{grown:.0f} MB: {said}"


# -- files that are large and empty


@pytest.mark.parametrize("name", ["scan.json", "scan.toml", "scan.txt"])
def test_a_sidecar_without_end(tmp_path: Path, take, name: str) -> None:
    for i, plane in enumerate(VOLUME):
        tifffile.imwrite(tmp_path / f"s{i}.tif", plane)
    with open(tmp_path / name, "wb") as file:
        file.truncate(20 * 2**30)  # takes no room: it is one hole
    grown, said = grown_by(lambda: take(tmp_path))
    assert said
    assert grown < MOST_GROWTH_MB, f"{grown:.0f} MB"


def test_nothing_is_written_beside_what_is_read(tmp_path: Path, take) -> None:
    """Neither by what is taken in, nor by what is refused."""
    for number, (name, make) in enumerate(CLAIMS.items()):
        at = tmp_path / f"{number}"
        at.mkdir()
        source = make(at)
        before = {p: (p.stat().st_mtime_ns, p.stat().st_size) for p in tmp_path.rglob("*")}
        grown_by(lambda source=source: take(source, spacing_mm_zyx=1))
        assert {p: (p.stat().st_mtime_ns, p.stat().st_size) for p in tmp_path.rglob("*")} == before, name
    assert os.listdir(tmp_path) != []
