"""Surfaces as one binary glTF 2.0 file (Khronos Group; ISO/IEC 12113:2022).

Positions are whole numbers of 16 bits within each part's own cube, normals of 8 bits (extension
``KHR_mesh_quantization``): steps of a cube's edge over 65535, under a micrometre for a tooth. Reading it needs no
decoder, so that the page runs no compiled code.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from .surfaces import Surface

__all__ = ["glb"]

_STEPS = 65535
_BYTE, _WORD, _LONG = 5120, 5123, 5125
_VERTICES, _INDICES = 34962, 34963


def glb(surfaces: Mapping[str, Surface], extras: Mapping[str, Any] | None = None) -> bytes:
    """Return a binary glTF with one node for each surface, named as the mapping has it; units are mm, not metres.

    Parameters
    ----------
    surfaces
        By node name; those without a triangle are left out.
    extras
        Kept in the file's ``asset.extras``.
    """
    binary = bytearray()
    views: list[dict[str, Any]] = []
    accessors: list[dict[str, Any]] = []
    meshes: list[dict[str, Any]] = []
    nodes: list[dict[str, Any]] = []

    def add(data: bytes, target: int, stride: int | None) -> int:
        view: dict[str, Any] = {"buffer": 0, "byteOffset": len(binary), "byteLength": len(data), "target": target}
        if stride is not None:
            view["byteStride"] = stride
        views.append(view)
        binary.extend(data)
        binary.extend(b"\0" * (-len(data) % 4))
        return len(views) - 1

    for name, surface in surfaces.items():
        if not len(surface.faces):
            continue
        places, low, scale = _quantised(surface.vertices)
        count = len(places)
        at = len(accessors)
        accessors.append(
            {
                "bufferView": add(_padded(places, np.uint16), _VERTICES, 8),
                "componentType": _WORD,
                "count": count,
                "type": "VEC3",
                "min": [int(v) for v in places.min(axis=0)],
                "max": [int(v) for v in places.max(axis=0)],
            }
        )
        normals = np.rint(_normals(surface) * 127).astype(np.int8)
        accessors.append(
            {
                "bufferView": add(_padded(normals, np.int8), _VERTICES, 4),
                "componentType": _BYTE,
                "normalized": True,
                "count": count,
                "type": "VEC3",
            }
        )
        small = count < _STEPS
        faces = np.ascontiguousarray(surface.faces, np.dtype("<u2") if small else np.dtype("<u4"))
        accessors.append(
            {
                "bufferView": add(faces.tobytes(), _INDICES, None),
                "componentType": _WORD if small else _LONG,
                "count": int(faces.size),
                "type": "SCALAR",
            }
        )
        meshes.append(
            {
                "name": name,
                "primitives": [{"attributes": {"POSITION": at, "NORMAL": at + 1}, "indices": at + 2, "mode": 4}],
            }
        )
        nodes.append(
            {
                "name": name,
                "mesh": len(meshes) - 1,
                "translation": [float(v) for v in low],
                "scale": [scale, scale, scale],
            }
        )
    asset: dict[str, Any] = {"version": "2.0", "generator": "Ossicle"}
    asset["extras"] = {"unit": "mm", **(extras or {})}
    document: dict[str, Any] = {"asset": asset, "scene": 0, "scenes": [{"nodes": list(range(len(nodes)))}]}
    if nodes:
        document |= {
            "extensionsUsed": ["KHR_mesh_quantization"],
            "extensionsRequired": ["KHR_mesh_quantization"],
            "nodes": nodes,
            "meshes": meshes,
            "accessors": accessors,
            "bufferViews": views,
            "buffers": [{"byteLength": len(binary)}],
        }
    else:
        document["scenes"] = [{}]
    text = json.dumps(document, separators=(",", ":"), allow_nan=False).encode()
    text += b" " * (-len(text) % 4)
    chunks = [struct.pack("<II", len(text), 0x4E4F534A) + text]
    if binary:
        chunks.append(struct.pack("<II", len(binary), 0x004E4942) + bytes(binary))
    body = b"".join(chunks)
    return struct.pack("<III", 0x46546C67, 2, 12 + len(body)) + body


def _quantised(vertices: npt.NDArray[np.float32]) -> tuple[npt.NDArray[np.uint16], npt.NDArray[np.float64], float]:
    places = np.asarray(vertices, float)
    low = places.min(axis=0)
    scale = max(float(np.ptp(places, axis=0).max()), 1e-9) / _STEPS
    return np.rint((places - low) / scale).clip(0, _STEPS).astype(np.uint16), low, scale


def _normals(surface: Surface) -> npt.NDArray[np.float64]:
    """Unit normals of vertices: the sum of the triangles' own, weighted by area."""
    places = surface.vertices.astype(float)
    a, b, c = (places[surface.faces[:, k]] for k in range(3))
    face = np.cross(b - a, c - a)
    out = np.zeros_like(places)
    for axis in range(3):
        for corner in range(3):
            out[:, axis] += np.bincount(surface.faces[:, corner], face[:, axis], minlength=len(places))
    size = np.linalg.norm(out, axis=1, keepdims=True)
    return np.asarray(np.where(size > 0, out / np.maximum(size, 1e-30), [0.0, 1.0, 0.0]), float)


def _padded(values: npt.NDArray[Any], dtype: type[np.generic]) -> bytes:
    """Three columns as four, so that each row starts at a multiple of four bytes, little-endian."""
    kind = np.dtype(dtype).newbyteorder("<")
    out = np.zeros((len(values), 4), kind)
    out[:, :3] = values
    return out.tobytes()
