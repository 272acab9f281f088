"""Finding the parts of a scene again in the account as it stands now.

A scene names parts by number, and numbers change with a new reading. So what is kept beside it (`known_parts`) says of
which kind each part was and where it lay, and in which pose.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from ossicle.account import Account
from ossicle.errors import OssicleError

from .scene import Eye, Scene, Standing, Vector

if TYPE_CHECKING:
    from ossicle.compare import Compared

__all__ = ["Follower", "known_parts", "mapping_of"]

FloatArray = npt.NDArray[np.float64]


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


class Follower:
    """Finds the parts of scenes again in the accounts as they stand now, and turns what they say into today's pose.

    Parameters
    ----------
    known
        By specimen as scenes call it, what `known_parts` gave.
    specimens
        By the same names.
    readings
        By the same names, which reading each account is of.
    """

    def __init__(
        self,
        known: Mapping[str, Mapping[str, Any]],
        specimens: Mapping[str, Compared],
        readings: Mapping[str, str],
    ) -> None:
        self.known, self.specimens, self.readings = known, specimens, readings
        self._mappings: dict[str, dict[int, int]] = {}
        self._turns: dict[str, FloatArray | None] = {}

    def specimen(self, name: str) -> Compared:
        """Return a specimen as scenes call it; raises `OssicleError` where it is not among these."""
        if name not in self.specimens:
            raise OssicleError(f"a view shows specimen #{name}, too", mend=f'name it after the first, as "#{name}"')
        return self.specimens[name]

    def parts(self, name: str, wanted: Sequence[int]) -> tuple[int, ...]:
        """Return the parts of today that were those of a scene."""
        if name not in self._mappings:
            account = self.specimen(name).account
            self._mappings[name] = mapping_of(account, self.known.get(name, {}), self.readings.get(name))
        asked = set(wanted)
        return tuple(sorted(n for n, old in self._mappings[name].items() if old in asked))

    def shown(self, shown: Sequence[Standing]) -> tuple[Standing, ...]:
        """Return how specimens stand, called by the names that they bear now."""
        return tuple(
            replace(
                s,
                specimen=self.specimen(s.specimen).name,
                solid=self.parts(s.specimen, s.solid),
                veiled=self.parts(s.specimen, s.veiled),
                enamel=None if s.enamel is None else self.parts(s.specimen, s.enamel),
                chosen=self.parts(s.specimen, s.chosen),
            )
            for s in shown
        )

    def named(self, named: Sequence[tuple[str, int]]) -> tuple[tuple[str, int], ...]:
        """Return the parts whose names stand there."""
        by_name: dict[str, list[int]] = {}
        for name, part in named:
            by_name.setdefault(name, []).append(part)
        return tuple((self.specimen(n).name, p) for n, some in by_name.items() for p in self.parts(n, some))

    def eye(self, eye: Eye, first: str) -> Eye:
        """Return an eye before today's pose of the first specimen."""
        turn = self._turn(first)
        if turn is None:
            return eye
        centre = _plain(turn[:3, :3] @ np.asarray(eye.centre_mm) + turn[:3, 3])
        return replace(eye, look=_way(turn, eye.look), up=_way(turn, eye.up), centre_mm=centre)

    def clip(self, clip: tuple[Vector, float] | None, first: str) -> tuple[Vector, float] | None:
        """Return a plane in today's pose of the first specimen."""
        turn = self._turn(first)
        if turn is None or clip is None:
            return clip
        normal = _way(turn, clip[0])
        return normal, clip[1] + float(np.asarray(normal) @ turn[:3, 3])

    def scene(self, scene: Scene) -> Scene:
        """Return a scene as it is of the accounts as they stand now."""
        first = scene.shown[0].specimen
        return replace(
            scene,
            shown=self.shown(scene.shown),
            named=self.named(scene.named),
            eye=self.eye(scene.eye, first),
            clip=self.clip(scene.clip, first),
        )

    def _turn(self, name: str) -> FloatArray | None:
        """From skull mm as they were to skull mm as they are; None where the pose is the same."""
        if name not in self._turns:
            was = self.known.get(name, {}).get("scan_to_skull")
            turn = None if was is None else self.specimen(name).to_skull @ np.linalg.inv(np.asarray(was, float))
            self._turns[name] = None if turn is None or np.allclose(turn, np.eye(4), atol=1e-4) else turn
        return self._turns[name]


def _plain(v: FloatArray) -> Vector:
    return float(v[0]), float(v[1]), float(v[2])


def _way(turn: FloatArray, v: Vector) -> Vector:
    return _plain(turn[:3, :3] @ np.asarray(v))
