"""What a specimen looks like: the volume, planes, slices, row strips, rows, pictures."""

from __future__ import annotations

from typing import Annotated, Any

import numpy as np
from fastapi import APIRouter, Depends, Query, Request, Response

from ossicle.errors import OssicleError

from ..greys import Greys, window_of
from ..planes import planes_of
from ..rows import Rows
from ..slices import Plane, outlines, parts_on, png
from ..specimen import surfaces_key
from ..strips import Strips
from ..volumes import volume_bytes
from ..workbench import Shown
from .common import Bench, kept_bytes

__all__ = ["router"]

router = APIRouter(tags=["views"])
Json = dict[str, Any]


def _greys(request: Request) -> Greys:
    greys: Greys = request.app.state.greys
    return greys


def _rows(request: Request) -> Rows:
    rows: Rows = request.app.state.rows
    return rows


def _strips(request: Request) -> Strips:
    strips: Strips = request.app.state.strips
    return strips


def _triple(text: str, name: str) -> tuple[float, float, float]:
    try:
        x, y, z = (float(v) for v in text.split(","))
    except ValueError as error:
        raise OssicleError(f"{text!r} is no three numbers", where=name, mend="write x,y,z") from error
    if not all(abs(v) < 1e6 for v in (x, y, z)):
        raise OssicleError(f"{text!r} is no place in a scan", where=name, mend="write x,y,z in mm")
    return x, y, z


class SliceAsked:
    """A slice as it is asked for: the middle, the ways to the right and down, size in mm, pixels of the longer side."""

    def __init__(
        self,
        origin: str,
        u: str,
        v: str,
        width: float,
        height: float,
        px: int = 600,
        frame: Annotated[str, Query(pattern="^(scan|skull)$")] = "scan",
    ) -> None:
        self.origin, self.u, self.v = _triple(origin, "origin"), _triple(u, "u"), _triple(v, "v")
        self.width, self.height, self.px, self.frame = width, height, px, frame

    def plane(self, shown: Shown) -> Plane:
        """Return the plane in grid mm."""
        turn = shown.scan_to_grid
        if self.frame == "skull":
            turn = turn @ np.linalg.inv(shown.scan_to_skull)
        middle = turn[:3, :3] @ np.asarray(self.origin) + turn[:3, 3]
        return Plane.of(middle, turn[:3, :3] @ self.u, turn[:3, :3] @ self.v, self.width, self.height, self.px)


Sliced = Annotated[SliceAsked, Depends(SliceAsked)]


@router.get("/specimens/{number}/volume", response_class=Response)
def volume(number: int, request: Request, bench: Bench, edge: Annotated[int, Query(ge=16, le=512)] = 192) -> Response:
    """The scan for ray casting: header, greys, styles (see `ossicle.desk.volumes.volume_bytes`)."""
    shown = bench.shown(number)
    data = volume_bytes(shown, bench.scan(shown), edge)
    return kept_bytes(request, data, "application/octet-stream", immutable=False)


@router.get("/specimens/{number}/planes")
def planes(number: int, bench: Bench) -> list[Json]:
    """Planes that a slice snaps to."""
    return planes_of(bench.shown(number))


@router.get("/specimens/{number}/slice.png", response_class=Response)
def slice_picture(
    number: int, asked: Sliced, request: Request, bench: Bench, greys: Annotated[Greys, Depends(_greys)]
) -> Response:
    """A slice through the scan, greys in a window set from the tissues."""
    shown = bench.shown(number)
    plane = asked.plane(shown)
    places = plane.places()
    piece = greys.around(shown.kept.scan, bench.scan(shown), places, plane.mm_per_px)
    tones = window_of(shown.kept.reading.statistics).bytes(piece.sample(places))
    return kept_bytes(request, png(tones), "image/png", immutable=False)


@router.get("/specimens/{number}/slice.json")
def slice_outlines(number: int, asked: Sliced, bench: Bench) -> Json:
    """The same slice's scale, and the outlines of the parts that it cuts (pixels, from the middle of the first)."""
    shown = bench.shown(number)
    plane = asked.plane(shown)
    parts = parts_on(shown.labels, shown.spacing, plane.places())
    window = window_of(shown.kept.reading.statistics)
    return {
        "mm_per_px": plane.mm_per_px,
        "width_px": parts.shape[1],
        "height_px": parts.shape[0],
        "shape": surfaces_key(shown),
        "outlines": outlines(parts, max(shown.spacing) / plane.mm_per_px),
        "window": {"low": window.low, "high": window.high, "unit": shown.kept.facts.grey_unit},
    }


@router.get("/specimens/{number}/strips/{quadrant}.png", response_class=Response)
def strip_picture(
    number: int,
    quadrant: str,
    request: Request,
    bench: Bench,
    strips: Annotated[Strips, Depends(_strips)],
    thickness: float | None = None,
    px_per_mm: float | None = None,
) -> Response:
    """A quadrant unrolled along its row: the greatest grey over a thickness (mm); of 0, the row's own surface."""
    shown = bench.shown(number)
    data = strips.picture(shown, strips.strip(shown, quadrant, thickness, px_per_mm))
    return kept_bytes(request, data, "image/png", immutable=False)


@router.get("/specimens/{number}/strips/{quadrant}.json")
def strip_told(
    number: int,
    quadrant: str,
    bench: Bench,
    strips: Annotated[Strips, Depends(_strips)],
    thickness: float | None = None,
    px_per_mm: float | None = None,
) -> Json:
    """The same strip's scale, loci and outlines."""
    shown = bench.shown(number)
    return strips.told(shown, strips.strip(shown, quadrant, thickness, px_per_mm))


@router.get("/specimens/{number}/rows")
def rows(number: int, bench: Bench, kept: Annotated[Rows, Depends(_rows)]) -> Json:
    """The four rows drawn from the specimen's own crowns, and the formula."""
    return kept.of(bench.shown(number))


@router.get("/specimens/{number}/picture.png", response_class=Response)
def picture(number: int, request: Request, bench: Bench, view: str = "lateral left") -> Response:
    """A picture of the head in skull pose (greatest grey along each line of sight), as the reading kept it."""
    shown = bench.shown(number)
    kept = shown.kept.reading.views
    if view not in kept:
        known = ", ".join(kept) or "none, as no pose was found"
        raise OssicleError(f"there is no picture {view!r} of this specimen", mend=f"pictures: {known}")
    tones = window_of(shown.kept.reading.statistics).bytes(kept[view])
    return kept_bytes(request, png(tones), "image/png", immutable="reading" in request.query_params)


@router.get("/specimens/{number}/scan.png", response_class=Response)
def scan_picture(number: int, request: Request, bench: Bench) -> Response:
    """A picture of a scan that need not have been read: the greatest grey along its columns, at a coarse resolution."""
    from ossicle.scans.levels import levels

    known = bench.cabinet.scans(f"#{number}")
    if not known:
        raise OssicleError("there is no scan of this specimen", mend="take one in")
    scan = bench.cabinet.scan(known[0].key)
    level = next((lv for lv in levels(scan) if max(lv.values.shape) <= 256), levels(scan)[-1])
    flat = np.asarray(level.values, np.float32).max(axis=2)
    low, high = (float(v) for v in np.quantile(flat, [0.02, 0.999]))
    tones = np.clip((flat - low) / max(high - low, 1e-9) * 255, 0, 255).astype(np.uint8)
    return kept_bytes(request, png(tones), "image/png", immutable=False)
