"""Scenes: what the stage showed at one moment, as the desk keeps it for a lesson or records it in a talk.

A scene names parts by number, and numbers change with a new reading; `ossicle.publish.following` finds them again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ossicle.account.records import Presence, View
from ossicle.errors import OssicleError

__all__ = [
    "Bad",
    "Cut",
    "Eye",
    "Scene",
    "Standing",
    "Vector",
    "clip_of",
    "cut_of",
    "eye_of",
    "named_of",
    "number_of",
    "scene_of",
    "shown_of",
    "text_of",
    "view_in",
]

Vector = tuple[float, float, float]
FloatArray = npt.NDArray[np.float64]
_MOST_PARTS = 4000
_FAR = 1e5


@dataclass(frozen=True)
class Eye:
    """Where the eye stands, stage mm (skull mm of the first specimen where it stands alone). ``extent_mm`` is what the
    shorter side of the stage shows, ``aspect`` its width by its height."""

    look: Vector
    up: Vector
    centre_mm: Vector
    extent_mm: float
    parallel: bool = True
    aspect: float = 1.6

    @property
    def frame_mm(self) -> tuple[float, float]:
        """Width and height of what was seen, mm."""
        return self.extent_mm * max(1.0, self.aspect), self.extent_mm * max(1.0, 1 / self.aspect)


@dataclass(frozen=True)
class Standing:
    """How a specimen stands there; parts not named are absent. ``enamel`` are the teeth whose enamel is drawn, None for
    all solid ones; ``veil`` how dense veiled bone is; ``laid`` a 4x4 in rows, None in its own skull pose."""

    specimen: str
    solid: tuple[int, ...]
    veiled: tuple[int, ...] = ()
    enamel: tuple[int, ...] | None = None
    chosen: tuple[int, ...] = ()
    veil: float = 0.34
    laid: tuple[float, ...] | None = None


@dataclass(frozen=True)
class Cut:
    """The free slice: its middle and two unit vectors (scan mm of the first specimen), its size in mm."""

    origin: Vector
    u: Vector
    v: Vector
    width_mm: float
    height_mm: float


@dataclass(frozen=True)
class Scene:
    """What the stage showed. ``clip`` takes points with dot(point, normal) > reach away, stage mm; ``named`` are the
    parts whose names stand there, with their specimens."""

    eye: Eye
    shown: tuple[Standing, ...]
    lift_mm: float = 0.0
    clip: tuple[Vector, float] | None = None
    cut: Cut | None = None
    named: tuple[tuple[str, int], ...] = ()
    finding: str | None = None


class Bad(Exception):
    """Why data are no scene."""


def scene_of(data: Any, where: str = "scene") -> Scene:
    """Return a scene from its data.

    Raises
    ------
    OssicleError
        They are none.
    """
    try:
        cut, clip, finding = data.get("slice"), data.get("clip"), data.get("finding")
        return Scene(
            eye_of(data["eye"]),
            shown_of(data["shown"]),
            number_of(data.get("lift", 0.0), 0.0, 1000.0),
            None if clip is None else clip_of(clip),
            None if cut is None else cut_of(cut),
            named_of(data.get("named") or []),
            None if finding is None else text_of(finding),
        )
    except (KeyError, TypeError, ValueError, AttributeError, Bad) as error:
        why = f"{error} is missing" if isinstance(error, KeyError) else str(error)
        raise OssicleError(f"this is no view of the stage ({why})", where=where, mend="keep the view again") from error


def eye_of(data: Mapping[str, Any]) -> Eye:
    """Return an eye from its data; raises what `scene_of` turns into a sentence."""
    look, up = _vector(data["look"]), _vector(data["up"])
    if np.linalg.norm(np.cross(look, up)) < 1e-6:
        raise Bad("its eye looks along its own vertical")
    return Eye(
        look,
        up,
        _vector(data["centre"]),
        number_of(data["extent"], 1e-3, _FAR),
        bool(data.get("parallel", True)),
        number_of(data.get("aspect", 1.6), 0.05, 20.0),
    )


def shown_of(data: Any) -> tuple[Standing, ...]:
    """Return what stands there from its data."""
    shown = tuple(_standing(s) for s in _list(data, 12))
    if not shown:
        raise Bad("no specimen stands there")
    return shown


def clip_of(data: Mapping[str, Any]) -> tuple[Vector, float]:
    """Return a plane from its data."""
    return _vector(data["normal"]), number_of(data["reach"])


def named_of(data: Any) -> tuple[tuple[str, int], ...]:
    """Return the parts whose names stand there from their data."""
    return tuple((text_of(n["specimen"]), _whole(n["part"])) for n in _list(data, 200))


def _standing(data: Mapping[str, Any]) -> Standing:
    enamel, laid = data.get("enamel"), data.get("laid")
    return Standing(
        text_of(data["specimen"]),
        _parts(data["solid"]),
        _parts(data.get("veiled") or []),
        None if enamel is None else _parts(enamel),
        _parts(data.get("chosen") or []),
        number_of(data.get("veil", 0.34), 0.0, 1.0),
        None if laid is None else _sixteen(laid),
    )


def cut_of(data: Mapping[str, Any]) -> Cut:
    """Return a slice from its data."""
    return Cut(
        _vector(data["origin"]),
        _vector(data["u"]),
        _vector(data["v"]),
        number_of(data["width"], 1e-3, _FAR),
        number_of(data["height"], 1e-3, _FAR),
    )


def _list(value: Any, most: int) -> list[Any]:
    if not isinstance(value, list):
        raise Bad("a list is missing")
    if len(value) > most:
        raise Bad("it lists too many")
    return value


def number_of(value: Any, low: float = -_FAR, high: float = _FAR) -> float:
    """Return a number; raises what `scene_of` turns into a sentence."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= float(value) <= high:
        raise Bad(f"{value!r} is no number between {low:g} and {high:g}")
    return float(value)


def _whole(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 < value < 2**31:
        raise Bad(f"{value!r} is no part")
    return value


def _parts(value: Any) -> tuple[int, ...]:
    return tuple(_whole(v) for v in _list(value, _MOST_PARTS))


def text_of(value: Any) -> str:
    """Return a name or an id; raises what `scene_of` turns into a sentence."""
    text = str(value)
    if isinstance(value, dict | list | bool | None) or not 0 < len(text) <= 300:
        raise Bad("a name is missing")
    return text


def _vector(value: Any) -> Vector:
    x, y, z = (number_of(v) for v in _list(value, 3))
    return x, y, z


def _sixteen(value: Any) -> tuple[float, ...]:
    out = tuple(number_of(v) for v in _list(value, 16))
    if len(out) != 16:
        raise Bad("a matrix has sixteen numbers")
    return out


def view_in(scene: Scene, specimen: str, caption: str = "") -> View:
    """Return what a scene shows of one specimen as a view; parts that it does not name are absent.

    Where several stand side by side, the view frames the specimen by itself.
    """
    s = next((s for s in scene.shown if s.specimen == specimen), None)
    if s is None:
        raise OssicleError(f"this view does not show {specimen}", mend="choose another view")
    presence: dict[int, Presence] = dict.fromkeys(s.veiled, "veiled")
    presence |= dict.fromkeys(s.solid, "solid")
    alone = len(scene.shown) == 1
    return View(
        scene.eye.look,
        scene.eye.up,
        caption,
        scene.eye.centre_mm if alone else None,
        scene.eye.extent_mm if alone else None,
        "absent",
        presence,
        scene.lift_mm,
    )
