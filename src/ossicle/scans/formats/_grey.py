"""Pictures with colour channels that hold grey values all the same."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ossicle.errors import OssicleError

__all__ = ["grey_of_channels"]


def grey_of_channels(picture: NDArray[Any], *, where: str, tolerance: int = 0, alpha: bool = False) -> NDArray[Any]:
    """Return one channel (y, x) of a picture (y, x, channels) whose colour channels agree.

    Parameters
    ----------
    picture
        Array (y, x) or (y, x, channels).
    tolerance
        Largest difference between channels that still counts as grey (lossy files).
    alpha
        Whether the last channel is opacity, which is left out.

    Raises
    ------
    OssicleError
        The channels differ: this is a colour picture.
    """
    if picture.ndim == 2:
        return picture
    colours = picture[..., :-1] if alpha and picture.shape[-1] > 1 else picture
    first = colours[..., 0]
    for channel in range(1, colours.shape[-1]):
        other = colours[..., channel]
        same = (
            np.array_equal(first, other)
            if tolerance == 0
            else bool(np.all(np.abs(first.astype(np.int32) - other.astype(np.int32)) <= tolerance))
        )
        if not same:
            raise OssicleError(
                "this is a colour picture, not grey values",
                where=where,
                mend="export the slices in grey, without colours or overlays",
            )
    return np.ascontiguousarray(first)
