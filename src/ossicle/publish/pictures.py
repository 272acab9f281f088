"""A view of a specimen as a picture of given size, with its scale: for reports, handouts and films."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from ossicle.account.records import View

from .colours import Colouring
from .drawing import Camera, draw
from .stage import Stage

__all__ = ["Shot", "camera_of", "jpeg", "png", "shot"]


class Shot:
    """A picture (height, width, 3) of 0..255 and how many mm a pixel stands for."""

    def __init__(self, rgb: npt.NDArray[np.uint8], mm_per_px: float) -> None:
        self.rgb, self.mm_per_px = rgb, mm_per_px


def camera_of(stage: Stage, view: View, width: int, height: int) -> Camera:
    """Return the camera that shows a view in a picture: its own frame, or all that it shows with a margin."""
    if view.centre_mm is not None and view.extent_mm is not None:
        return Camera(view.look, view.up, view.centre_mm, view.extent_mm / min(width, height), width, height)
    b = stage.bounds(view)
    mm = 1.06 * max((b[3] - b[0]) / width, (b[4] - b[1]) / height)
    axes = Camera(view.look, view.up, (0.0, 0.0, 0.0), 1.0, 1, 1).axes
    middle = np.array([(b[0] + b[3]) / 2, (b[1] + b[4]) / 2, (b[2] + b[5]) / 2]) @ axes
    return Camera(view.look, view.up, (float(middle[0]), float(middle[1]), float(middle[2])), mm, width, height)


def shot(
    stage: Stage,
    view: View,
    width: int,
    height: int,
    *,
    colours: Colouring = "generation",
    fine: int = 2,
    clip: tuple[tuple[float, float, float], float] | None = None,
) -> Shot:
    """Draw a view; ``fine`` times as fine as it is shown, and averaged, so that edges are smooth."""
    camera = camera_of(stage, view, width, height)
    large = replace(camera, width=width * fine, height=height * fine, mm_per_px=camera.mm_per_px / fine)
    rgb = draw(stage.pieces(view, colours), large, clip=clip, line_px=fine).rgb
    if fine > 1:
        mean = rgb.reshape(height, fine, width, fine, 3).mean(axis=(1, 3))
        rgb = np.rint(mean).astype(np.uint8)
    return Shot(rgb, camera.mm_per_px)


def png(rgb: npt.NDArray[np.uint8]) -> bytes:
    """Return a picture as PNG."""
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(rgb).save(out, "PNG", optimize=True)
    return out.getvalue()


def jpeg(rgb: npt.NDArray[np.uint8], quality: int = 88) -> bytes:
    """Return a picture as JPEG."""
    from PIL import Image

    out = io.BytesIO()
    Image.fromarray(rgb).save(out, "JPEG", quality=quality)
    return out.getvalue()
