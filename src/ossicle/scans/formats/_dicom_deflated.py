"""DICOM files whose data set is deflated as a whole: bounded before anything unfolds them (PS3.5, A.5)."""

from __future__ import annotations

import zlib
from pathlib import Path

from pydicom.filereader import read_file_meta_info
from pydicom.uid import DeflatedExplicitVRLittleEndian

from ossicle.errors import OssicleError

from ..naming import shown

__all__ = ["check_deflated"]

MOST_FOLD = 100
"""Times that a deflated file may unfold to its size. A slice with any noise unfolds to less than ten; common practice,
no source."""
_FREE = 2**20
_STEP = 2**20


def check_deflated(path: Path) -> None:
    """Refuse a deflated file that unfolds to more than any scan's slice would; other files are left as they are.

    Raises
    ------
    OssicleError
        It unfolds to more than `MOST_FOLD` times its size.
    """
    try:
        meta = read_file_meta_info(path)
    except Exception:  # whoever reads the file says what is wrong with it
        return
    if meta.get("TransferSyntaxUID") != DeflatedExplicitVRLittleEndian:
        return
    most = MOST_FOLD * path.stat().st_size + _FREE
    begin = 132 + 12 + int(meta.get("FileMetaInformationGroupLength", 0))
    unfold, size = zlib.decompressobj(-zlib.MAX_WBITS), 0
    with path.open("rb") as file:
        file.seek(begin)
        held = file.read(_STEP)
        try:
            while held and not unfold.eof:
                size += len(unfold.decompress(held, _STEP))
                if size > most:
                    raise OssicleError(
                        f"the file unfolds to more than {MOST_FOLD} times its size",
                        where=shown(path),
                        mend="export the slices without deflating them",
                    )
                held = unfold.unconsumed_tail or file.read(_STEP)
        except zlib.error:
            return
