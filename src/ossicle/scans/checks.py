"""What is checked of every slice while it passes by: values, repeats, and whether there is contrast."""

from __future__ import annotations

import threading
import zlib
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ossicle.errors import OssicleError

__all__ = ["PlaneWatch"]


class PlaneWatch:
    """Looks at slices in any order, from several threads.

    Parameters
    ----------
    where
        The source's name, for sentences.
    slices
        How many there will be.
    """

    def __init__(self, where: str, slices: int) -> None:
        self.where = where
        self._low = np.zeros(slices)
        self._high = np.zeros(slices)
        self._prints: dict[tuple[int, float, float], list[int]] = {}
        self._lock = threading.Lock()

    def convert(self, block: NDArray[Any], z0: int, dtype: np.dtype[Any]) -> NDArray[Any]:
        """Return slices in the type they are kept in.

        Raises
        ------
        OssicleError
            A value does not fit.
        """
        if block.dtype == dtype:
            return block
        if block.dtype.kind in "iu" and dtype.kind in "iu" and block.size:
            limits = np.iinfo(dtype)
            if int(block.min()) < limits.min or int(block.max()) > limits.max:
                raise OssicleError(
                    f"slice {z0} holds whole numbers beyond 32 bits",
                    where=self.where,
                    mend="export 16-bit values",
                )
        with np.errstate(over="ignore"):
            return block.astype(dtype)

    def look(self, block: NDArray[Any], z0: int) -> None:
        """Check slices z0, z0 + 1 ... (z, y, x).

        Raises
        ------
        OssicleError
            One holds a value that is not a finite number.
        """
        for offset, plane in enumerate(block):
            z = z0 + offset
            low, high = float(plane.min()), float(plane.max())
            if not (np.isfinite(low) and np.isfinite(high)):
                raise OssicleError(
                    f"slice {z} holds values that are not finite numbers (NaN or infinite)",
                    where=self.where,
                    mend="export it with air's value in their place",
                )
            self._low[z], self._high[z] = low, high
            if low < high:
                mark = (zlib.crc32(_sample(plane).tobytes()), low, high)
                with self._lock:
                    self._prints.setdefault(mark, []).append(z)

    def verdict(self) -> tuple[tuple[float, float], list[str]]:
        """Return the range of all values, and warnings.

        Raises
        ------
        OssicleError
            All voxels have one value.
        """
        low, high = float(self._low.min()), float(self._high.max())
        if low == high:
            raise OssicleError(
                f"every voxel has the value {low:g}: there is nothing to see",
                where=self.where,
                mend="check the export",
            )
        warnings = []
        repeats = sorted(sorted(zs) for zs in self._prints.values() if len(zs) > 1)
        if repeats:
            count = sum(len(zs) - 1 for zs in repeats)
            listed = ", ".join(" = ".join(str(z) for z in zs[:4]) for zs in repeats[:5])
            warnings.append(
                f"{count} slice{'s repeat' if count > 1 else ' repeats'} the voxels of another (slice "
                "numbers from 0: "
                f"{listed}{' …' if len(repeats) > 5 else ''}): the stack may hold slices twice."
            )
        return (low, high), warnings


def _sample(plane: NDArray[Any]) -> NDArray[Any]:
    """Return the voxels by which two slices are compared: all of a small one, one in 35 of a large one.

    Slices with the same range whose noise agrees in thousands of voxels spread over them are the same slice.
    """
    return plane if plane.size < 1 << 16 else plane[::7, ::5]
