"""Surfaces as one binary glTF 2.0 file (Khronos Group; ISO/IEC 12113:2022).

Positions are whole numbers of 16 bits within each part's own cube, normals of 8 bits (extension
``KHR_mesh_quantization``): steps of a cube's edge over 65535, under a micrometre for a tooth. Reading it needs no
decoder, so that the page runs no compiled code. A `scene` is the file for other programs: floating-point positions,
metres and materials, as the standard has them without any extension.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from .surfaces import Surface

__all__ = ["Node", "glb", "scene"]

_STEPS = 65535
_BYTE, _WORD, _LONG, _FLOAT = 5120, 5123, 5125, 5126
_VERTICES, _INDICES = 34962, 34963


@dataclass(frozen=True)
class Node:
    """A surface of a `scene`: its colour (linear light, 0 to 1), opacity, and what the node's ``extras`` say."""

    surface: Surface
    colour: tuple[float, float, float]
    opacity: float = 1.0
    extras: Mapping[str, Any] = field(default_factory=dict)


class _Binary:
    """The binary chunk with its views and accessors."""

    def __init__(self) -> None:
        self.data = bytearray()
        self.views: list[dict[str, Any]] = []
        self.accessors: list[dict[str, Any]] = []

    def view(self, data: bytes, target: int, stride: int | None) -> int:
        view: dict[str, Any] = {"buffer": 0, "byteOffset": len(self.data), "byteLength": len(data), "target": target}
        if stride is not None:
            view["byteStride"] = stride
        self.views.append(view)
        self.data.extend(data)
        self.data.extend(b"\0" * (-len(data) % 4))
        return len(self.views) - 1

    def accessor(self, **said: Any) -> int:
        self.accessors.append(said)
        return len(self.accessors) - 1

    def faces(self, surface: Surface) -> int:
        small = len(surface.vertices) < _STEPS
        faces = np.ascontiguousarray(surface.faces, np.dtype("<u2") if small else np.dtype("<u4"))
        return self.accessor(
            bufferView=self.view(faces.tobytes(), _INDICES, None),
            componentType=_WORD if small else _LONG,
            count=int(faces.size),
            type="SCALAR",
        )


def glb(surfaces: Mapping[str, Surface], extras: Mapping[str, Any] | None = None) -> bytes:
    """Return a binary glTF with one node for each surface, named as the mapping has it; units are mm, not metres.

    Parameters
    ----------
    surfaces
        By node name; those without a triangle are left out.
    extras
        Kept in the file's ``asset.extras``.
    """
    binary = _Binary()
    meshes: list[dict[str, Any]] = []
    nodes: list[dict[str, Any]] = []
    for name, surface in surfaces.items():
        if not len(surface.faces):
            continue
        places, low, scale = _quantised(surface.vertices)
        count = len(places)
        position = binary.accessor(
            bufferView=binary.view(_padded(places, np.uint16), _VERTICES, 8),
            componentType=_WORD,
            count=count,
            type="VEC3",
            min=[int(v) for v in places.min(axis=0)],
            max=[int(v) for v in places.max(axis=0)],
        )
        normals = np.rint(_normals(surface) * 127).astype(np.int8)
        normal = binary.accessor(
            bufferView=binary.view(_padded(normals, np.int8), _VERTICES, 4),
            componentType=_BYTE,
            normalized=True,
            count=count,
            type="VEC3",
        )
        meshes.append(_mesh(name, position, normal, binary.faces(surface)))
        nodes.append(
            {
                "name": name,
                "mesh": len(meshes) - 1,
                "translation": [float(v) for v in low],
                "scale": [scale, scale, scale],
            }
        )
    asset = {"version": "2.0", "generator": "Ossicle", "extras": {"unit": "mm", **(extras or {})}}
    document: dict[str, Any] = {"asset": asset, "scene": 0, "scenes": [{"nodes": list(range(len(nodes)))}]}
    if nodes:
        document |= {
            "extensionsUsed": ["KHR_mesh_quantization"],
            "extensionsRequired": ["KHR_mesh_quantization"],
            "nodes": nodes,
            "meshes": meshes,
        }
    else:
        document["scenes"] = [{}]
    return _packed(document, binary)


def scene(name: str, parts: Mapping[str, Node], extras: Mapping[str, Any]) -> bytes:
    """Return a binary glTF for other programs: one scene, a root named after the specimen, a named node a part.

    Positions stay in skull mm; the root's scale of 0.001 turns them into the standard's metres. The skull's own axes
    fit the standard's: +y up (dorsal), +z to the front (rostral), +x to the specimen's left.

    Parameters
    ----------
    name
        Of the root.
    parts
        By name; those without a triangle are left out.
    extras
        Kept in the root's ``extras``.
    """
    binary = _Binary()
    meshes: list[dict[str, Any]] = []
    nodes: list[dict[str, Any]] = [{"name": name, "scale": [0.001, 0.001, 0.001], "extras": dict(extras)}]
    materials: dict[tuple[float, ...], int] = {}
    for called, part in parts.items():
        if not len(part.surface.faces):
            continue
        places = np.ascontiguousarray(part.surface.vertices, np.dtype("<f4"))
        position = binary.accessor(
            bufferView=binary.view(places.tobytes(), _VERTICES, 12),
            componentType=_FLOAT,
            count=len(places),
            type="VEC3",
            min=[float(v) for v in places.min(axis=0)],
            max=[float(v) for v in places.max(axis=0)],
        )
        # Rounded normals would not be of unit length to the standard's 0.0005.
        normals = np.ascontiguousarray(_normals(part.surface), np.dtype("<f4"))
        normal = binary.accessor(
            bufferView=binary.view(normals.tobytes(), _VERTICES, 12),
            componentType=_FLOAT,
            count=len(places),
            type="VEC3",
        )
        mesh = _mesh(called, position, normal, binary.faces(part.surface))
        mesh["primitives"][0]["material"] = materials.setdefault((*part.colour, part.opacity), len(materials))
        meshes.append(mesh)
        nodes.append({"name": called, "mesh": len(meshes) - 1, "extras": dict(part.extras)})
    if len(nodes) > 1:
        nodes[0]["children"] = list(range(1, len(nodes)))
    document: dict[str, Any] = {
        "asset": {"version": "2.0", "generator": "Ossicle"},
        "scene": 0,
        "scenes": [{"name": name, "nodes": [0]}],
        "nodes": nodes,
    }
    if meshes:
        document |= {"meshes": meshes, "materials": [_material(m) for m in materials]}
    return _packed(document, binary)


def _mesh(name: str, position: int, normal: int, indices: int) -> dict[str, Any]:
    attributes = {"POSITION": position, "NORMAL": normal}
    return {"name": name, "primitives": [{"attributes": attributes, "indices": indices, "mode": 4}]}


def _material(colour: tuple[float, ...]) -> dict[str, Any]:
    made: dict[str, Any] = {
        "pbrMetallicRoughness": {
            "baseColorFactor": [round(c, 4) for c in colour],
            "metallicFactor": 0.0,
            "roughnessFactor": 0.7,
        }
    }
    if colour[3] < 1:
        made["alphaMode"] = "BLEND"
    return made


def _packed(document: dict[str, Any], binary: _Binary) -> bytes:
    if binary.data:
        document = document | {
            "accessors": binary.accessors,
            "bufferViews": binary.views,
            "buffers": [{"byteLength": len(binary.data)}],
        }
    text = json.dumps(document, separators=(",", ":"), allow_nan=False).encode()
    text += b" " * (-len(text) % 4)
    chunks = [struct.pack("<II", len(text), 0x4E4F534A) + text]
    if binary.data:
        chunks.append(struct.pack("<II", len(binary.data), 0x004E4942) + bytes(binary.data))
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
