"""Meshes as files: one glTF scene, or STL and PLY a part, with a table of what was made."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from ossicle.account import Account
from ossicle.account.prose import CAUTIONS
from ossicle.account.words import counted, number, percent
from ossicle.compare import Compared
from ossicle.errors import OssicleError
from ossicle.scans.paths import file_name

from .colours import colour_of, linear
from .files import write_bytes
from .gltf import Node, scene
from .meshes import PartMesh, PrintCheck, print_check
from .naming import uberon_of
from .surfaces import Surface

__all__ = ["FORMATS", "mesh_table", "ply_bytes", "scene_bytes", "stl_bytes", "write_meshes"]

FORMATS = ("glb", "ply", "stl")
_COLUMNS = (
    "name",
    "part",
    "kind",
    "triangles",
    "label_volume_mm3",
    "mesh_volume_mm3",
    "volume_change_percent",
    "simplified_within_mm",
    "watertight",
    "bodies",
    "hollows",
    "handles",
    "wall_of_print_mm",
    "thinner_percent",
)


def stl_bytes(surface: Surface, enlarged: float = 1.0) -> bytes:
    """Return a surface as binary STL, in mm (the format itself states no unit)."""
    corners = (surface.vertices * np.float32(enlarged))[surface.faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-30)
    rows = np.zeros(len(corners), np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("rest", "<u2")]))
    rows["normal"], rows["corners"] = normals, corners
    head = b"Ossicle: skull coordinates, unit mm".ljust(80, b" ")
    return head + np.uint32(len(rows)).tobytes() + rows.tobytes()


def ply_bytes(surface: Surface, name: str, colour: tuple[float, float, float], enlarged: float = 1.0) -> bytes:
    """Return a surface as binary PLY, in mm, vertices in one colour (sRGB)."""
    vertices = np.zeros(len(surface.vertices), np.dtype([("at", "<f4", 3), ("colour", "u1", 3)]))
    vertices["at"] = surface.vertices * np.float32(enlarged)
    vertices["colour"] = np.rint(255 * np.asarray(colour))
    faces = np.zeros(len(surface.faces), np.dtype([("n", "u1"), ("corner", "<u4", 3)]))
    faces["n"], faces["corner"] = 3, surface.faces
    said = name.encode("ascii", "replace").decode()
    head = (
        f"ply\nformat binary_little_endian 1.0\ncomment {said}\ncomment skull coordinates, unit mm\n"
        f"element vertex {len(vertices)}\nproperty float x\nproperty float y\nproperty float z\n"
        "property uchar red\nproperty uchar green\nproperty uchar blue\n"
        f"element face {len(faces)}\nproperty list uchar uint vertex_indices\nend_header\n"
    )
    return head.encode() + vertices.tobytes() + faces.tobytes()


def scene_bytes(s: Compared, meshes: Sequence[PartMesh]) -> bytes:
    """Return all meshes of a specimen as one binary glTF: named nodes, terms and metadata in ``extras``."""
    teeth = {t.part: t for t in s.account.teeth}
    nodes = {}
    for m in meshes:
        tooth = teeth.get(m.part.part)
        extras: dict[str, Any] = {
            "part": m.part.part,
            "kind": m.part.kind,
            "term": m.part.term,
            "uberon": uberon_of(m.part, tooth),
            "side": m.part.side,
            "label_volume_mm3": round(m.label_mm3, 6),
            "mesh_volume_mm3": round(m.volume_mm3, 6),
            "simplified_within_mm": round(m.error_mm, 6),
        }
        if tooth is not None:
            extras |= {
                "tooth": tooth.name,
                "jaw": tooth.jaw,
                "class": tooth.tooth_class,
                "generation": tooth.generation,
                "emergence": tooth.emergence,
                "confidence": round(tooth.confidence, 3),
                "replaces": tooth.replaces,
                "replaced_by": tooth.replaced_by,
            }
        clear = 0.45 if m.part.kind in ("cavity", "opening") else 1.0
        nodes[m.name] = Node(m.surface, linear(colour_of(m.part, tooth)), clear, extras)
    return scene(s.name, nodes, _said(s.name, s.account))


def _said(name: str, account: Account) -> dict[str, Any]:
    return {
        "specimen": name,
        "frame": "skull: +x to the specimen's left, +y dorsal, +z rostral; mm before the root's scale",
        "formula": account.formula.text,
        "sources": [{"name": x.name, "sha256": x.sha256} for x in account.scan.sources[:8]],
        "made_by": f"Ossicle {account.made_by.version}",
        "cautions": list(CAUTIONS),
    }


def mesh_table(meshes: Sequence[PartMesh], checks: Sequence[PrintCheck]) -> str:
    """Return what was made as CSV, units in the column names."""
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(_COLUMNS)
    for m, c in zip(meshes, checks, strict=True):
        writer.writerow(
            [
                m.name,
                m.part.part,
                m.part.kind,
                len(m.surface.faces),
                f"{m.label_mm3:.6f}",
                f"{m.volume_mm3:.6f}",
                f"{100 * (m.volume_mm3 / m.label_mm3 - 1):.2f}",
                f"{m.error_mm:.4f}",
                "yes" if c.watertight else "no",
                c.bodies,
                c.hollows,
                c.handles,
                f"{c.wall_mm:g}",
                f"{100 * c.thin_share:.1f}",
            ]
        )
    return out.getvalue()


def write_meshes(
    s: Compared, meshes: Sequence[PartMesh], out: Path, formats: Sequence[str], *, wall_mm: float, enlarged: float
) -> list[str]:
    """Write meshes into a folder and return what a person should know, a sentence each.

    ``specimen.glb`` is the scene; STL and PLY are a file a part, ``enlarged`` times as large. ``meshes.csv`` tells
    volumes, tolerances and the print check.
    """
    if not meshes:
        raise OssicleError("none of these parts has a voxel", where=s.name, mend="name others with --part")
    teeth = {t.part: t for t in s.account.teeth}
    checks = [print_check(m, s, wall_mm, enlarged) for m in meshes]
    used: set[str] = set()
    for m in meshes:
        name = file_name(m.name.replace("?", ""), "part", taken=used)
        if "stl" in formats:
            write_bytes(out / f"{name}.stl", stl_bytes(m.surface, enlarged))
        if "ply" in formats:
            colour = colour_of(m.part, teeth.get(m.part.part))
            write_bytes(out / f"{name}.ply", ply_bytes(m.surface, m.name, colour, enlarged))
    if "glb" in formats:
        write_bytes(out / f"{file_name(s.name)}.glb", scene_bytes(s, meshes))
    write_bytes(out / "meshes.csv", mesh_table(meshes, checks).encode())
    return _told(meshes, checks)


def _told(meshes: Sequence[PartMesh], checks: Sequence[PrintCheck]) -> list[str]:
    said = []
    triangles = sum(len(m.surface.faces) for m in meshes)
    said.append(
        f"{len(meshes)} meshes of {triangles:,} triangles, simplified within "
        f"{number(1000 * max(m.error_mm for m in meshes))} µm."
    )
    for m, c in zip(meshes, checks, strict=True):
        change = m.volume_mm3 / m.label_mm3 - 1
        if abs(change) > 0.01:
            said.append(f"{m.name}: its mesh differs by {100 * change:+.1f} % from the volume of its labels.")
        if not c.watertight:
            said.append(f"{m.name}: its mesh is not closed.")
        if c.thin_share > 0.05:
            said.append(f"{m.name}: {percent(c.thin_share)} is thinner than a wall of {c.wall_mm:g} mm in print.")
        if c.bodies > 1:
            said.append(f"{m.name}: it is in {c.bodies} bodies; loose ones fall out of a print.")
        if c.hollows:
            said.append(f"{m.name}: {counted(c.hollows, 'closed hollow')} will hold what it is printed of.")
    return said
