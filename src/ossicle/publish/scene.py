"""Scenes: what the stage showed at one moment, as the desk keeps it for a lesson or records it in a talk.

A scene names parts by number, and numbers change with a new reading. So what is kept beside it (`known_parts`) says of
which kind each part was and where it lay, and `followed` finds them again in the account as it stands now.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from ossicle.account import Account
from ossicle.account.records import View
from ossicle.compare import Compared
from ossicle.errors import OssicleError

from .stage import Presence

__all__ = ["Cut", "Eye", "Scene", "Standing", "followed", "known_parts", "mapping_of", "scene_of", "view_in"]

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


class _Bad(Exception):
    """Why data are no scene."""


def scene_of(data: Any, where: str = "scene") -> Scene:
    """Return a scene from its data.

    Raises
    ------
    OssicleError
        They are none.
    """
    try:
        eye = eye_of(data["eye"])
        shown = tuple(standing_of(s) for s in _list(data["shown"], 12))
        if not shown:
            raise _Bad("no specimen stands there")
        clip = data.get("clip")
        cut = data.get("slice")
        named = tuple((_text(n["specimen"]), _whole(n["part"])) for n in _list(data.get("named") or [], 200))
        finding = data.get("finding")
        return Scene(
            eye,
            shown,
            _number(data.get("lift", 0.0), 0.0, 1000.0),
            None if clip is None else (_vector(clip["normal"]), _number(clip["reach"])),
            None if cut is None else cut_of(cut),
            named,
            None if finding is None else _text(finding),
        )
    except (KeyError, TypeError, ValueError, AttributeError, _Bad) as error:
        why = f"{error} is missing" if isinstance(error, KeyError) else str(error)
        raise OssicleError(f"this is no view of the stage ({why})", where=where, mend="keep the view again") from error


def eye_of(data: Mapping[str, Any]) -> Eye:
    """Return an eye from its data; raises what `scene_of` turns into a sentence."""
    look, up = _vector(data["look"]), _vector(data["up"])
    if np.linalg.norm(np.cross(look, up)) < 1e-6:
        raise _Bad("its eye looks along its own vertical")
    return Eye(
        look,
        up,
        _vector(data["centre"]),
        _number(data["extent"], 1e-3, _FAR),
        bool(data.get("parallel", True)),
        _number(data.get("aspect", 1.6), 0.05, 20.0),
    )


def standing_of(data: Mapping[str, Any]) -> Standing:
    """Return how a specimen stands from its data."""
    enamel, laid = data.get("enamel"), data.get("laid")
    return Standing(
        _text(data["specimen"]),
        _parts(data["solid"]),
        _parts(data.get("veiled") or []),
        None if enamel is None else _parts(enamel),
        _parts(data.get("chosen") or []),
        _number(data.get("veil", 0.34), 0.0, 1.0),
        None if laid is None else _sixteen(laid),
    )


def cut_of(data: Mapping[str, Any]) -> Cut:
    """Return a slice from its data."""
    return Cut(
        _vector(data["origin"]),
        _vector(data["u"]),
        _vector(data["v"]),
        _number(data["width"], 1e-3, _FAR),
        _number(data["height"], 1e-3, _FAR),
    )


def _list(value: Any, most: int) -> list[Any]:
    if not isinstance(value, list):
        raise _Bad("a list is missing")
    if len(value) > most:
        raise _Bad("it lists too many")
    return value


def _number(value: Any, low: float = -_FAR, high: float = _FAR) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= float(value) <= high:
        raise _Bad(f"{value!r} is no number between {low:g} and {high:g}")
    return float(value)


def _whole(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 < value < 2**31:
        raise _Bad(f"{value!r} is no part")
    return value


def _parts(value: Any) -> tuple[int, ...]:
    return tuple(_whole(v) for v in _list(value, _MOST_PARTS))


def _text(value: Any) -> str:
    text = str(value)
    if isinstance(value, dict | list | bool | None) or not 0 < len(text) <= 300:
        raise _Bad("a name is missing")
    return text


def _vector(value: Any) -> Vector:
    x, y, z = (_number(v) for v in _list(value, 3))
    return x, y, z


def _sixteen(value: Any) -> tuple[float, ...]:
    out = tuple(_number(v) for v in _list(value, 16))
    if len(out) != 16:
        raise _Bad("a matrix has sixteen numbers")
    return out


def known_parts(account: Account, reading: str) -> dict[str, Any]:
    """Return what is kept beside a scene of a specimen, so that its parts are found again: of which reading they are,
    the pose, and for each part its kind and middle (scan mm)."""
    return {
        "reading": reading,
        "scan_to_skull": [[round(float(v), 6) for v in row] for row in account.pose.scan_to_skull],
        "parts": {
            str(p.part): [p.kind, *(round(float(v), 3) for v in p.centroid_mm_xyz)]
            for p in account.parts
            if all(math.isfinite(v) for v in p.centroid_mm_xyz)
        },
    }


def mapping_of(account: Account, known: Mapping[str, Any], reading: str | None) -> dict[int, int]:
    """Return for each part of an account the part that it was when a scene was kept: that of its number where the
    reading is still the same and had it, else the nearest of its kind."""
    was = known.get("parts", {})
    same = reading is not None and known.get("reading") == reading
    kinds: dict[str, list[int]] = {}
    for number, (kind, *_) in was.items():
        kinds.setdefault(kind, []).append(int(number))
    out: dict[int, int] = {}
    for p in account.parts:
        if same and str(p.part) in was:
            out[p.part] = p.part
            continue
        some = kinds.get(p.kind, [])
        if some:
            places = np.array([was[str(n)][1:] for n in some], float)
            out[p.part] = some[int(np.argmin(np.linalg.norm(places - np.asarray(p.centroid_mm_xyz), axis=1)))]
    return out


def followed(
    scene: Scene, known: Mapping[str, Mapping[str, Any]], specimens: Mapping[str, Compared], readings: Mapping[str, str]
) -> Scene:
    """Return a scene as it is of the accounts as they stand now, specimens called by the names that they bear there.

    Parameters
    ----------
    known
        By specimen as the scene calls it, what `known_parts` gave.
    specimens
        By the same names.
    readings
        By the same names, which reading each account is of.

    Raises
    ------
    OssicleError
        A specimen of the scene is not among these.
    """
    missing = [s.specimen for s in scene.shown if s.specimen not in specimens]
    if missing:
        raise OssicleError(
            f"a view shows specimen #{missing[0]}, too", mend='name it after the first, as `"#' + f'{missing[0]}"`'
        )
    shown = []
    named: list[tuple[str, int]] = []
    for s in scene.shown:
        compared = specimens[s.specimen]
        was = mapping_of(compared.account, known.get(s.specimen, {}), readings.get(s.specimen))

        def now(parts: Sequence[int], was: Mapping[int, int] = was) -> tuple[int, ...]:
            wanted = set(parts)
            return tuple(sorted(n for n, old in was.items() if old in wanted))

        shown.append(
            replace(
                s,
                specimen=compared.name,
                solid=now(s.solid),
                veiled=now(s.veiled),
                enamel=None if s.enamel is None else now(s.enamel),
                chosen=now(s.chosen),
            )
        )
        named += [(compared.name, n) for n in now([p for name, p in scene.named if name == s.specimen])]
    first = scene.shown[0]
    turn = _turn(known.get(first.specimen, {}), specimens[first.specimen])
    return replace(_turned(scene, turn), shown=tuple(shown), named=tuple(named))


def _turn(known: Mapping[str, Any], s: Compared) -> FloatArray | None:
    """From skull mm as they were to skull mm as they are; None where the pose is the same."""
    if "scan_to_skull" not in known:
        return None
    turn: FloatArray = s.to_skull @ np.linalg.inv(np.asarray(known["scan_to_skull"], float))
    return None if np.allclose(turn, np.eye(4), atol=1e-4) else turn


def _turned(scene: Scene, turn: FloatArray | None) -> Scene:
    if turn is None:
        return scene
    r, t = turn[:3, :3], turn[:3, 3]

    def way(v: Vector) -> Vector:
        x, y, z = r @ np.asarray(v)
        return float(x), float(y), float(z)

    x, y, z = r @ np.asarray(scene.eye.centre_mm) + t
    eye = replace(scene.eye, look=way(scene.eye.look), up=way(scene.eye.up), centre_mm=(float(x), float(y), float(z)))
    clip = scene.clip
    if clip is not None:
        normal = way(clip[0])
        clip = (normal, clip[1] + float(np.asarray(normal) @ t))
    return replace(scene, eye=eye, clip=clip)


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
