"""Specimens laid on one another: known movements are found to a small part of a voxel, reflections refused."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from known import account_of, scanned, specimen
from scipy.ndimage import affine_transform
from scipy.spatial.transform import Rotation

from ossicle.compare import (
    Compared,
    apart,
    by_landmarks,
    by_pose,
    by_surfaces,
    closest_points,
    mirrored_side,
    one_side_on_the_other,
    placement_text,
    surface_of,
)
from ossicle.compare.surfaces import Surface
from ossicle.errors import OssicleError
from ossicle.practice.specimen import Anatomy

VOXEL = 0.12
TURN = Rotation.from_euler("xyz", [20, -35, 60], degrees=True).as_matrix()


def erring_pose() -> np.ndarray:
    """What a reading may err by: a few degrees, and the origin by more than a millimetre."""
    out = np.eye(4)
    out[:3, :3] = Rotation.from_euler("xyz", [3, 2, -2], degrees=True).as_matrix()
    out[:3, 3] = [0.5, -0.3, 1.2]
    return out


@pytest.fixture(scope="module")
def cheek(adult: Anatomy) -> list:
    return [
        t for t in adult.teeth if t.jaw == "upper" and t.kind in ("premolar", "molar") and t.emergence != "in_crypt"
    ]


@pytest.fixture(scope="module")
def pair(adult: Anatomy, cheek: list) -> tuple[Compared, Compared]:
    """One specimen scanned twice: other voxels, another way round, another pose."""
    return (
        scanned("one", adult, cheek, np.eye(3), 0.1),
        scanned("two", adult, cheek, TURN, VOXEL, erring_pose()),
    )


def test_rescan_is_laid_on_within_a_tenth_of_a_voxel(pair: tuple[Compared, Compared], cheek: list) -> None:
    one, two = pair
    parts = [t.label for t in cheek]
    found = by_surfaces(two, one, parts, parts)
    points = np.concatenate([t.points(40) for t in cheek])
    err = erring_pose()
    moved = points @ err[:3, :3].T + err[:3, 3]
    back = moved @ found.matrix[:3, :3].T + found.matrix[:3, 3]
    assert np.linalg.norm(back - points, axis=1).max() < 0.1 * VOXEL
    assert found.rms < 0.5 * VOXEL
    assert found.scale == pytest.approx(1.0)
    assert np.linalg.det(found.matrix[:3, :3]) == pytest.approx(1.0)
    assert "root mean square" in placement_text(found, "two", "one")
    # and the surfaces then lie on each other
    laid = surface_of(two, parts).moved(found.matrix)
    assert apart(laid, surface_of(one, parts)).p95 < VOXEL


def test_landmarks_with_and_without_scale(adult: Anatomy) -> None:
    small, large = specimen("small", adult), specimen("large", adult, scale=1.3)
    rigid, scaled = by_landmarks(small, large), by_landmarks(small, large, scale=True)
    assert rigid.scale == 1.0
    assert rigid.rms > 0.1
    assert scaled.scale == pytest.approx(1.3, abs=1e-9)
    assert scaled.rms < 1e-6
    assert {name for name, _ in scaled.residuals} == set(small.landmarks)
    assert np.isnan(by_pose().rms)


def test_a_mirrored_scan_is_told_and_not_reflected(adult: Anatomy) -> None:
    account = account_of(adult)
    # landmarks in the midplane have no handedness: two of one side are added
    sided = (
        {"name": "canine left", "point_mm_xyz": [3.0, 0.0, 4.0], "decided_by": "person"},
        {"name": "condyle left", "point_mm_xyz": [8.0, 2.0, -20.0], "decided_by": "person"},
        {"name": "bregma", "point_mm_xyz": [0.0, 12.0, -14.0], "decided_by": "person"},
    )
    marks = (*account.landmarks, *sided)
    flipped = tuple(
        {**m, "point_mm_xyz": [-m["point_mm_xyz"][0] + 0.0, *m["point_mm_xyz"][1:]]} if "left" in m["name"] else m
        for m in marks
    )
    a, b = (Compared(n, replace(account, landmarks=m)) for n, m in (("a", marks), ("b", flipped)))
    found = by_landmarks(a, b, ["canine left", "condyle left", "bregma", "basion"])
    assert np.linalg.det(found.matrix[:3, :3]) == pytest.approx(1.0)
    assert "mirror" in found.note


def test_one_side_mirrored_lies_on_the_other(adult: Anatomy) -> None:
    teeth = [t for t in adult.teeth if t.jaw == "upper" and t.name in ("P4", "M1")]
    s = scanned("one", adult, teeth, np.eye(3), 0.1)
    left, right = ([t.label for t in teeth if t.side == side] for side in ("left", "right"))
    found = mirrored_side(s, left, right)
    assert np.linalg.det(found.matrix[:3, :3]) == pytest.approx(-1.0)
    assert found.rms < 0.2  # mm: left and right of a practice specimen vary a little on their own
    assert "mirrored" in found.note


def test_what_is_no_counterpart_is_refused() -> None:
    long = ellipsoid([4.0, 2.0, 1.0])
    turn = np.eye(4)
    turn[:3, :3] = Rotation.from_euler("z", 12, degrees=True).as_matrix()
    assert closest_points(long.moved(turn), long).rms < 0.05
    with pytest.raises(OssicleError, match="taken for no counterparts"):
        closest_points(long.moved(turn), long, most_turn_deg=6)


def ellipsoid(half: list[float], n: int = 40) -> Surface:
    """A closed surface with known distances."""
    u, v = np.meshgrid(
        np.linspace(0, 2 * np.pi, 2 * n, endpoint=False), np.linspace(0.02, np.pi - 0.02, n), indexing="ij"
    )
    unit = np.stack([np.sin(v) * np.cos(u), np.sin(v) * np.sin(u), np.cos(v)], -1)
    k = np.arange(2 * n * n).reshape(2 * n, n)
    a, b = k[:, :-1].ravel(), k[:, 1:].ravel()
    c, d = np.roll(k, -1, 0)[:, :-1].ravel(), np.roll(k, -1, 0)[:, 1:].ravel()
    normals = unit.reshape(-1, 3) / half
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    faces = np.concatenate([np.stack([a, b, c], 1), np.stack([c, b, d], 1)])
    return Surface(unit.reshape(-1, 3) * half, faces, normals, 0.05)


def test_distances_of_nested_spheres() -> None:
    # spheres of radius 2 and 1.5 with one centre lie 0.5 apart everywhere
    outer, inner = ellipsoid([2, 2, 2]), ellipsoid([1.5, 1.5, 1.5])
    found = apart(outer, inner)
    assert found.mean == pytest.approx(0.5, abs=0.01)
    assert found.rms == pytest.approx(0.5, abs=0.01)
    assert found.p95 == pytest.approx(0.5, abs=0.02)
    assert apart(inner, outer).mean == pytest.approx(-0.5, abs=0.01)
    assert outer.areas.sum() == pytest.approx(4 * np.pi * 4, rel=0.01)


def test_without_labels_it_says_so(adult: Anatomy) -> None:
    with pytest.raises(OssicleError, match=r"keep parts\.nii\.gz beside account\.json"):
        surface_of(specimen("bare", adult), [1])


def test_a_part_that_is_not_there(pair: tuple[Compared, Compared]) -> None:
    with pytest.raises(OssicleError, match="hold no part 9999"):
        surface_of(pair[0], [9999])


def test_landmarks_that_are_not_there(adult: Anatomy) -> None:
    a = specimen("a", adult)
    with pytest.raises(OssicleError, match="no landmark 'nowhere'"):
        by_landmarks(a, a, ["nowhere"])
    bare = Compared("bare", replace(a.account, landmarks=()))
    with pytest.raises(OssicleError, match="share 0 landmarks"):
        by_landmarks(a, bare)


def test_a_side_differs_by_what_was_done_to_it(adult: Anatomy) -> None:
    """A crown scaled by 1.1 about its middle: 1.331 times the volume (closed form), and outside by a tenth of its
    half width."""
    teeth = [t for t in adult.teeth if t.jaw == "upper" and t.name == "M1"]
    s = scanned("one", adult, teeth, np.eye(3), 0.1)
    same = one_side_on_the_other(s, "upper M1")
    assert same.apart.both_ways_rms < 0.2
    left = next(t for t in s.account.teeth if (t.side, t.jaw, t.name) == ("left", "upper", "M1"))
    held = s.read_parts()
    assert held is not None
    mask = np.asarray(held) == left.part
    middle = np.argwhere(mask).mean(0)
    grown = affine_transform(mask.astype(np.float32), np.eye(3) / 1.1, middle - middle / 1.1, order=1) > 0.5
    labels = np.where(grown, left.part, np.asarray(held))
    parts = tuple(
        replace(p, volume_mm3=p.volume_mm3 * grown.sum() / mask.sum()) if p.part == left.part else p
        for p in s.account.parts
    )
    larger = one_side_on_the_other(Compared("two", replace(s.account, parts=parts), lambda: labels), "left upper M1")
    ratio = [r.volumes_mm3[0] / r.volumes_mm3[1] for r in (same, larger)]
    assert ratio[1] / ratio[0] == pytest.approx(1.331, rel=0.03)
    assert larger.apart.mean > same.apart.mean + 0.05
    assert "outside the right one" in larger.text()


def test_a_side_that_is_not_there_is_named(adult: Anatomy) -> None:
    teeth = [t for t in adult.teeth if t.jaw == "upper" and t.name == "M1"]
    s = scanned("one", adult, teeth, np.eye(3), 0.2)
    with pytest.raises(OssicleError, match="no part 'left upper M9'"):
        one_side_on_the_other(s, "upper M9")
    with pytest.raises(OssicleError, match="names no part"):
        one_side_on_the_other(s, "left")
