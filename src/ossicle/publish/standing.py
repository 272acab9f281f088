"""Scenes set up to be drawn: which pieces stand where, and the camera that sees what the eye of a scene saw.

Several specimens stand side by side as the stage sets them (web/src/stage/stage.ts): along the page's horizontal, one
gap apart, on one ground.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from ossicle.account.records import View

from .drawing import Camera, Piece
from .pictures import camera_of
from .scene import Eye, Scene, Standing, view_in
from .stage import BONE_VEIL, Stage
from .surfaces import Surface

__all__ = ["camera_for", "eye_on_all", "pieces_apart", "pieces_in", "scene_of_view"]

FloatArray = npt.NDArray[np.float64]
_GAP = 0.12
"""Room between specimens, as a share of the widest."""
_VEIL = 0.34
"""How dense the stage draws the veil that is drawn here as `BONE_VEIL`."""


def scene_of_view(view: View, stage: Stage, width: int, height: int, named: tuple[int, ...] = ()) -> Scene:
    """Return a view of one specimen as a scene, framed for a picture of ``width`` by ``height`` pixels."""
    looks = stage.looks(view)
    camera = camera_of(stage, view, width, height)
    name = stage.specimen.name
    standing = Standing(
        name,
        tuple(p for p, how in looks.items() if how == "solid"),
        tuple(p for p, how in looks.items() if how == "veiled"),
    )
    eye = Eye(view.look, view.up, camera.centre_mm, camera.mm_per_px * min(width, height), True, width / height)
    return Scene(eye, (standing,), view.lift_mm, named=tuple((name, p) for p in named))


def eye_on_all(scene: Scene, stages: Mapping[str, Stage], width: int, height: int, share: float = 0.9) -> Eye:
    """Return the eye of a scene moved so that all that it shows fills a ``share`` of a picture of that size."""
    axes = _axes(scene.eye)
    places = np.concatenate([p.vertices for p in pieces_in(scene, stages)]) @ axes.T
    low, high = places.min(axis=0), places.max(axis=0)
    centre = ((low + high) / 2) @ axes
    mm = max((high[0] - low[0]) / width, (high[1] - low[1]) / height) / share
    middle = (float(centre[0]), float(centre[1]), float(centre[2]))
    return replace(scene.eye, centre_mm=middle, extent_mm=float(mm) * min(width, height), aspect=width / height)


def camera_for(eye: Eye, width: int, height: int) -> Camera:
    """Return the camera that sees in a picture at least what an eye saw."""
    wide, tall = eye.frame_mm
    return Camera(eye.look, eye.up, eye.centre_mm, max(wide / width, tall / height), width, height)


def pieces_in(scene: Scene, stages: Mapping[str, Stage]) -> list[Piece]:
    """Return what is drawn of a scene, each specimen where it stands."""
    return [p for own in pieces_apart(scene, stages) for p in own]


def pieces_apart(scene: Scene, stages: Mapping[str, Stage]) -> list[list[Piece]]:
    """Return the same by specimen, in the order in which they stand."""
    stood = [_own(s, scene, stages[s.specimen]) for s in scene.shown]
    if len(stood) == 1:
        return stood
    right = _axes(scene.eye)[0]
    spans, grounds = [], []
    for pieces in stood:
        places = np.concatenate([p.vertices for p in pieces]) if pieces else np.zeros((1, 3), np.float32)
        along = places @ right
        spans.append((float(along.min()), float(along.max())))
        grounds.append(float(places[:, 1].min()))
    gap = _GAP * max(b - a for a, b in spans)
    at = -(sum(b - a for a, b in spans) + gap * (len(spans) - 1)) / 2
    out: list[list[Piece]] = []
    for pieces, (low, high), ground in zip(stood, spans, grounds, strict=True):
        shift = right * (at - low)
        if abs(float(right[1])) < 0.1:
            shift = shift + np.array([0.0, grounds[0] - ground, 0.0])
        out.append([replace(p, lift=_sum(p.lift, shift)) for p in pieces])
        at += high - low + gap
    return out


def _own(s: Standing, scene: Scene, stage: Stage) -> list[Piece]:
    """The pieces of one specimen in its own place."""
    view = view_in(scene, s.specimen)
    wearing = None if s.enamel is None else set(s.enamel)
    out = []
    for piece in stage.pieces(view, chosen=s.chosen):
        enamel = piece.nearer_mm > 0
        if enamel and wearing is not None and piece.part not in wearing:
            continue
        if piece.presence == "veiled" and piece.layer == "bone":
            piece = replace(piece, opacity=min(1.0, BONE_VEIL * s.veil / _VEIL))
        out.append(piece if s.laid is None else _laid(piece, np.asarray(s.laid).reshape(4, 4)))
    return out


def _laid(piece: Piece, matrix: FloatArray) -> Piece:
    turn = matrix[:3, :3]
    vertices = np.asarray(piece.vertices @ turn.T + matrix[:3, 3], np.float32)
    normals = piece.normals @ turn.T
    normals = normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-30)
    surface = Surface(vertices, piece.surface.faces)
    return replace(piece, surface=surface, normals=np.asarray(normals, np.float32), lift=(0.0, 0.0, 0.0))


def _axes(eye: Eye) -> FloatArray:
    return Camera(eye.look, eye.up, eye.centre_mm, 1.0, 1, 1).axes


def _sum(a: tuple[float, float, float], b: FloatArray) -> tuple[float, float, float]:
    return a[0] + float(b[0]), a[1] + float(b[1]), a[2] + float(b[2])
