"""Surfaces: shape and size against closed forms, and the file against an independent reader of glTF."""

from __future__ import annotations

import numpy as np
import pygltflib
import pytest

from ossicle.publish.gltf import glb
from ossicle.publish.surfaces import Surface, closed_volume, contour, shares, surface_of, thinned

MIRROR = np.diag([-1.0, 1.0, 1.0, 1.0])
TURN = np.array([[0.0, -1, 0, 5], [1, 0, 0, -2], [0, 0, 1, 7], [0, 0, 0, 1]])


def ball(radius: float, size: int, spacing: tuple[float, float, float] = (1.0, 1.0, 1.0)) -> np.ndarray:
    z, y, x = np.meshgrid(*((np.arange(size) - size // 2) * s for s in spacing), indexing="ij")
    return x**2 + y**2 + z**2 < radius**2


def read_back(data: bytes) -> dict[str, Surface]:
    """Read a file by pygltflib and the words of the standard (glTF 2.0; KHR_mesh_quantization), none of our code."""
    file = pygltflib.GLTF2().load_from_bytes(data)
    blob = file.binary_blob()
    kinds = {5120: np.int8, 5123: np.uint16, 5125: np.uint32}

    def array(at: int) -> np.ndarray:
        accessor = file.accessors[at]
        view = file.bufferViews[accessor.bufferView]
        dtype = np.dtype(kinds[accessor.componentType])
        width = {"VEC3": 3, "SCALAR": 1}[accessor.type]
        stride = view.byteStride or dtype.itemsize * width
        assert stride % 4 == 0 or accessor.type == "SCALAR"
        assert (view.byteOffset or 0) % 4 == 0
        start = (view.byteOffset or 0) + (accessor.byteOffset or 0)
        rows = [np.frombuffer(blob, dtype, width, start + k * stride) for k in range(accessor.count)]
        return np.array(rows)

    out = {}
    for number in file.scenes[file.scene].nodes:
        node = file.nodes[number]
        (primitive,) = file.meshes[node.mesh].primitives
        places = array(primitive.attributes.POSITION)
        accessor = file.accessors[primitive.attributes.POSITION]
        assert accessor.min == places.min(axis=0).tolist()
        assert accessor.max == places.max(axis=0).tolist()
        normals = array(primitive.attributes.NORMAL) / 127
        np.testing.assert_allclose(np.linalg.norm(normals, axis=1), 1, atol=0.02)
        faces = array(primitive.indices).reshape(-1, 3)
        assert faces.max() < len(places)
        out[node.name] = Surface(places * node.scale + node.translation, faces.astype(np.uint32))
        a, b, c = (out[node.name].vertices[faces[:, k]] for k in range(3))
        facing = np.cross(b - a, c - a)
        agree = np.einsum("ij,ij->i", facing, normals[faces].mean(axis=1))
        assert (agree > 0).mean() > 0.98  # normals and winding tell the same outside
    return out


@pytest.mark.parametrize("matrix", [np.eye(4), MIRROR, TURN], ids=["as it is", "mirrored", "turned"])
def test_a_ball_has_its_volume_and_looks_outwards(matrix: np.ndarray) -> None:
    found = contour(ball(12, 31), (4, 5, 6), (0.5, 0.5, 0.5), matrix)
    radius = 0.5 * (np.cbrt(3 * ball(12, 31).sum() / (4 * np.pi)) - 1 / 12)  # of its voxels, less sigma^2 / radius
    assert closed_volume(found.vertices, found.faces) == pytest.approx(4 / 3 * np.pi * radius**3, rel=0.01)
    assert found.area_mm2 == pytest.approx(4 * np.pi * radius**2, rel=0.02)
    middle = matrix[:3, :3] @ [(15 + 6) * 0.5, (15 + 5) * 0.5, (15 + 4) * 0.5] + matrix[:3, 3]
    np.testing.assert_allclose(found.vertices.mean(axis=0), middle, atol=0.05)


def test_thinning_keeps_volume_and_outside() -> None:
    found = contour(ball(20, 47), (0, 0, 0), (1, 1, 1), MIRROR)
    thin = thinned(found, 1500)
    assert len(thin.faces) <= 2000  # "about": the library stops where an edge would fold
    assert closed_volume(thin.vertices, thin.faces) == pytest.approx(
        closed_volume(found.vertices, found.faces), rel=0.01
    )


def test_unequal_spacing() -> None:
    found = contour(ball(6, 61, (0.5, 0.25, 0.4)), (0, 0, 0), (0.5, 0.25, 0.4), np.eye(4))
    np.testing.assert_allclose(np.ptp(found.vertices, axis=0), 12, rtol=0.05)


def test_a_large_part_is_contoured_coarsely_at_its_place(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ossicle.publish.surfaces.LARGEST", 8000)
    found = contour(ball(20, 47), (0, 0, 0), (1, 1, 1), np.eye(4))
    assert closed_volume(found.vertices, found.faces) == pytest.approx(ball(20, 47).sum(), rel=0.05)
    middle = (found.vertices.min(axis=0) + found.vertices.max(axis=0)) / 2
    np.testing.assert_allclose(middle, 23, atol=0.25)


@pytest.mark.parametrize("shape", [(1, 1, 1), (1, 5, 5), (2, 2, 9)])
def test_the_smallest_part_has_a_surface(shape: tuple[int, int, int]) -> None:
    found = contour(np.ones(shape, bool), (0, 0, 0), (1, 1, 1), np.eye(4))
    assert closed_volume(found.vertices, found.faces) > 0.1 * np.prod(shape)


def test_a_part_at_the_edge_of_the_scan_is_closed() -> None:
    labels = np.zeros((8, 8, 8), np.uint8)
    labels[:4, :, :] = 3
    found = surface_of(labels, 3, (slice(0, 4), slice(0, 8), slice(0, 8)), (1, 1, 1), np.eye(4))
    assert found is not None
    edges = np.sort(np.concatenate([found.faces[:, [0, 1]], found.faces[:, [1, 2]], found.faces[:, [2, 0]]]), axis=1)
    _, counts = np.unique(edges, axis=0, return_counts=True)
    assert (counts == 2).all()


def test_shares_follow_area_and_teeth_have_half() -> None:
    given = shares({1: 1000.0, 2: 30.0, 3: 10.0}, {2, 3}, 100_000)
    assert given[1] == 50_000
    assert given[2] + given[3] == 50_000
    assert given[2] == 3 * given[3]


def test_the_file_is_read_back_by_another_library() -> None:
    one = contour(ball(12, 31), (0, 0, 0), (0.1, 0.1, 0.1), TURN)
    two = contour(ball(5, 15), (9, 9, 9), (0.1, 0.1, 0.1), TURN)
    data = glb({"part-3": one, "enamel-3": two}, {"frame": "skull"})
    found = read_back(data)
    assert list(found) == ["part-3", "enamel-3"]
    for name, surface in (("part-3", one), ("enamel-3", two)):
        step = np.ptp(surface.vertices, axis=0).max() / 65535
        np.testing.assert_allclose(found[name].vertices, surface.vertices, atol=step)
        np.testing.assert_array_equal(found[name].faces, surface.faces)
        assert closed_volume(found[name].vertices, found[name].faces) > 0


def test_more_than_65535_vertices_are_told_by_longer_indices() -> None:
    found = contour(ball(80, 163), (0, 0, 0), (1, 1, 1), np.eye(4))
    assert len(found.vertices) > 65_535
    file = pygltflib.GLTF2().load_from_bytes(glb({"part-1": found}))
    assert file.accessors[file.meshes[0].primitives[0].indices].componentType == 5125


def test_no_part_makes_an_empty_scene() -> None:
    file = pygltflib.GLTF2().load_from_bytes(glb({}))
    assert not file.meshes
    assert not file.scenes[0].nodes
