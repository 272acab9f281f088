"""Which voxels of a tooth are enamel: as the reading says, or, where it kept none, by grey."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

from ossicle.scans import Scan

from .workbench import Shown

__all__ = ["enamel_of"]


def enamel_of(
    shown: Shown, open_scan: Callable[[], Scan], own: npt.NDArray[np.bool_], box: Sequence[slice]
) -> npt.NDArray[np.bool_] | None:
    """Return which voxels of a tooth (``own``, in ``box`` of the scan) are enamel; None where that is not known.

    Where the reading kept no enamel, its voxels are those nearer to enamel's grey than to dentine's, as the reading
    found these levels.
    """
    from scipy.ndimage import gaussian_filter

    kept = shown.kept.reading.enamel
    if kept is not None:
        return np.asarray(np.asarray(kept[tuple(box)]).astype(bool) & own)
    levels = shown.kept.reading.statistics
    if levels.enamel is None or not levels.enamel > levels.dentine:
        return None
    scan = open_scan()
    grey = scan.grey(np.asarray(scan.values[tuple(box)])).astype(np.float32)
    return np.asarray((gaussian_filter(grey, 0.6) > (levels.dentine + levels.enamel) / 2) & own)
