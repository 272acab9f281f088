"""Pixels of DICOM files: plain ones by pydicom, the JPEG family by imagecodecs."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from threading import Lock
from typing import Any

import imagecodecs
import numpy as np
import pydicom
from numpy.typing import NDArray
from pydicom import uid
from pydicom.dataset import FileDataset
from pydicom.encaps import get_frame
from pydicom.pixels.utils import pixel_array

from ossicle.errors import OssicleError
from ossicle.scans.formats._stack import FlatVoxels, Stack, reading
from ossicle.scans.naming import shown

__all__ = ["FrameFile", "decode_single"]

_PLAIN = (uid.ImplicitVRLittleEndian, uid.ExplicitVRLittleEndian, uid.ExplicitVRBigEndian)
_BY_PYDICOM = (*_PLAIN, uid.DeflatedExplicitVRLittleEndian, uid.RLELossless)
_CODECS: dict[str, Callable[[bytes], NDArray[Any]]] = {
    uid.JPEGBaseline8Bit: imagecodecs.jpeg8_decode,
    uid.JPEGExtended12Bit: imagecodecs.jpeg_decode,
    uid.JPEGLossless: imagecodecs.ljpeg_decode,
    uid.JPEGLosslessSV1: imagecodecs.ljpeg_decode,
    uid.JPEGLSLossless: imagecodecs.jpegls_decode,
    uid.JPEGLSNearLossless: imagecodecs.jpegls_decode,
    uid.JPEG2000Lossless: imagecodecs.jpeg2k_decode,
    uid.JPEG2000: imagecodecs.jpeg2k_decode,
}


def decode_single(raw: bytes, shape: tuple[int, ...], dtype: np.dtype[Any], where: str) -> NDArray[Any]:
    """Return the one frame of a file, shape (rows, columns), unused bits removed, no rescaling."""
    dataset = pydicom.dcmread(io.BytesIO(raw), force=True)
    if "PixelData" not in dataset:
        raise OssicleError("the DICOM file is cut short or holds no pixels", where=where, mend="copy it again")
    syntax = _syntax(dataset)
    if (int(dataset.Rows), int(dataset.Columns)) != shape or int(dataset.get("NumberOfFrames") or 1) != 1:
        raise OssicleError("the file changed while it was read", where=where, mend="try again")
    if syntax in _BY_PYDICOM:
        dataset.file_meta.TransferSyntaxUID = syntax
        frame = pixel_array(dataset, raw=True, correct_unused_bits=False)
    else:
        frame = _codec(syntax, where)(get_frame(dataset.PixelData, 0, number_of_frames=1))
    return _stored_bits(frame, dataset, shape, dtype, where)


def _syntax(dataset: FileDataset) -> uid.UID:
    stated = getattr(dataset, "file_meta", None) and dataset.file_meta.get("TransferSyntaxUID")
    if stated:
        return uid.UID(str(stated))
    implicit, little = dataset.original_encoding
    if implicit:
        return uid.ImplicitVRLittleEndian
    return uid.ExplicitVRLittleEndian if little else uid.ExplicitVRBigEndian


def _codec(syntax: uid.UID, where: str) -> Callable[[bytes], NDArray[Any]]:
    codec = _CODECS.get(syntax)
    if codec is None:
        raise OssicleError(f"its compression ({syntax.name}) cannot be read", where=where, mend="export uncompressed")
    return codec


def _stored_bits(
    frame: NDArray[Any], header: Any, shape: tuple[int, ...], dtype: np.dtype[Any], where: str
) -> NDArray[Any]:
    """Keep the bits that hold the value (PS3.5 8.1.1): drop those below, mask or extend the sign above."""
    if frame.shape != shape:
        raise OssicleError(f"its pixels are {frame.shape}, its header says {shape}", where=where, mend="copy it again")
    allocated = dtype.itemsize * 8
    bits = int(header.get("BitsStored") or allocated)
    high = header.get("HighBit")
    high = bits - 1 if high is None else int(high)
    if not 0 < bits <= allocated or not bits - 1 <= high < allocated:
        raise OssicleError(f"{bits} bits stored below bit {high} cannot be", where=where, mend="copy it again")
    if frame.dtype.kind not in "ui" or frame.dtype.itemsize > dtype.itemsize:
        raise OssicleError(f"its pixels are {frame.dtype}, its header says {dtype}", where=where, mend="copy it again")
    whole = frame.astype(dtype, copy=False).view(f"u{dtype.itemsize}")
    if bits < allocated:
        whole = whole << np.array(allocated - 1 - high, whole.dtype)
        kept: NDArray[Any] = whole.view(dtype) >> np.array(allocated - bits, dtype)
        return kept
    return whole.view(dtype)


class FrameFile:
    """One DICOM file with many frames, read frame by frame.

    Parameters
    ----------
    path, header
        The file and its header, read up to the pixels.
    shape
        (frames, rows, columns).
    """

    def __init__(self, path: Path, header: FileDataset, shape: tuple[int, int, int]) -> None:
        self.path, self.header, self.shape = path, header, shape
        signed = bool(header.get("PixelRepresentation") or 0)
        self.dtype = np.dtype(f"{'i' if signed else 'u'}{int(header.BitsAllocated) // 8}")
        self.syntax = _syntax(header)
        self._lock = Lock()

    def stack(self, order: list[int], root: Path) -> Stack:
        """Return the frames in the given order."""
        if self.syntax in _PLAIN:
            return self._plain(order, root)
        codec = _codec(self.syntax, shown(self.path)) if self.syntax != uid.RLELossless else None
        start = self._pixels()

        def read(z0: int, z1: int) -> NDArray[Any]:
            out = np.empty((z1 - z0, *self.shape[1:]), self.dtype)
            for z in range(z0, z1):
                with reading(self.path, f"DICOM, frame {order[z] + 1}"):
                    if codec is None:
                        frame = pixel_array(self.path, index=order[z], raw=True, correct_unused_bits=False)
                    else:
                        with self.path.open("rb") as file:
                            file.seek(start)
                            frame = codec(get_frame(file, order[z], number_of_frames=self.shape[0]))
                    out[z - z0] = _stored_bits(frame, self.header, self.shape[1:], self.dtype, shown(self.path))
            return out

        return Stack(self.shape, self.dtype, read, [self.path], root)

    def _plain(self, order: list[int], root: Path) -> Stack:
        big = self.syntax == uid.ExplicitVRBigEndian
        dtype = self.dtype.newbyteorder(">" if big else "<")
        voxels = FlatVoxels(self.path, self.shape, dtype, offset=self._pixels())
        where = shown(self.path)

        def read(z0: int, z1: int) -> NDArray[Any]:
            out = np.empty((z1 - z0, *self.shape[1:]), self.dtype)
            for z in range(z0, z1):
                frame = voxels.read(order[z], order[z] + 1)[0]
                out[z - z0] = _stored_bits(frame, self.header, self.shape[1:], self.dtype, where)
            return out

        return Stack(self.shape, self.dtype, read, [self.path], root)

    def _pixels(self) -> int:
        """Return the byte at which the value of PixelData begins."""
        with self.path.open("rb") as file:
            pydicom.dcmread(file, stop_before_pixels=True, specific_tags=["Rows"], force=True)
            at = file.tell()
            head = file.read(12)
        if self.syntax == uid.ImplicitVRLittleEndian:
            marked, size = head[:4] == b"\xe0\x7f\x10\x00", 8
        elif self.syntax == uid.ExplicitVRBigEndian:
            marked, size = head[:4] == b"\x7f\xe0\x00\x10", 12
        else:
            marked, size = head[:4] == b"\xe0\x7f\x10\x00", 12
        if not marked:
            raise OssicleError("the DICOM file is cut short or holds no pixels", where=shown(self.path),
                               mend="copy it again")  # fmt: skip
        return at + size
