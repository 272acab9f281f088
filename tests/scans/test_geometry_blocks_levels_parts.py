"""Geometry, blocks, levels, and labels written as NIfTI."""

import nibabel as nib
import numpy as np
import pytest
import SimpleITK
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from ossicle.errors import OssicleError
from ossicle.scans import (
    Geometry,
    Scan,
    apply_blocks,
    blocks,
    choose_level,
    levels,
    read_blocks,
    write_parts_nifti,
)

from .conftest import SPACING
from .test_nifti import affine_of, rotation
from .test_tiff import write_slices


def test_geometry_refuses_what_cannot_be():
    for spacing in ((0, 1, 1), (1, -1, 1), (1, 1, np.nan), (1, 1), (1, 1, 1, 1)):
        with pytest.raises(OssicleError):
            Geometry(spacing)
    for affine in (
        np.eye(3),
        np.full((4, 4), np.nan),
        np.zeros((4, 4)),
        np.diag([2.0, 1, 1, 1]),
        np.ones((4, 4)),
    ):
        with pytest.raises(OssicleError):
            Geometry((1, 1, 1), affine)


@given(st.integers(0, 10**6), st.booleans())
def test_scan_mm_and_back(seed, flip):
    rng = np.random.default_rng(seed)
    spacing = tuple(rng.uniform(0.01, 2, 3))
    affine = affine_of(rotation(seed) * [-1 if flip else 1, 1, 1], spacing[::-1], rng.normal(size=3))
    for geometry in (Geometry(spacing, affine), Geometry(spacing)):
        points = rng.normal(size=(4, 3)) * 100
        assert np.allclose(geometry.to_index(geometry.to_scan_mm(points)), points)
        assert Geometry.from_json(geometry.as_json()) == geometry
        assert geometry.voxel_mm3 == pytest.approx(np.prod(spacing))
        # the mean of two neighbouring voxels lies between them, at either resolution
        assert np.allclose(
            geometry.coarsened(2).to_scan_mm([0, 0, 0]) if geometry.affine is not None else 0,
            geometry.to_scan_mm([0.5, 0.5, 0.5]) if geometry.affine is not None else 0,
        )
    assert Geometry(spacing, affine).handedness() == ("left" if flip else "right")
    assert Geometry(spacing, affine).scan_mm_is_right_handed()


def test_without_an_affine_scan_mm_is_index_times_spacing():
    geometry = Geometry((0.3, 0.2, 0.1))
    assert np.allclose(geometry.to_scan_mm([1, 2, 3]), [0.1, 0.4, 0.9])
    assert geometry.handedness_assumed


@settings(max_examples=60, deadline=None)
@given(
    shape=st.tuples(*[st.integers(1, 12)] * 3),
    size=st.tuples(*[st.integers(1, 6)] * 3),
    overlap=st.tuples(*[st.integers(0, 3)] * 3),
)
def test_blocks_tile_and_filters_see_no_seams(shape, size, overlap):
    volume = np.random.default_rng(0).normal(size=shape)
    counted = np.zeros(shape, int)
    for block, values in read_blocks(volume, size, overlap):
        counted[block.core] += 1
        assert np.array_equal(values[block.inner], volume[block.core])
    assert (counted == 1).all()
    reach = tuple(2 * o + 1 for o in overlap)
    out = np.empty(shape)
    # inside a margin as wide as the filter's reach, a block's result is the whole volume's
    apply_blocks(lambda b: ndimage.maximum_filter(b, reach, mode="nearest"), volume, out, size, overlap, threads=2)
    assert np.array_equal(out, ndimage.maximum_filter(volume, reach, mode="nearest"))


def test_blocks_refuse_nonsense():
    with pytest.raises(ValueError, match="size"):
        list(blocks((4, 4, 4), size=0))
    with pytest.raises(ValueError, match="overlap"):
        list(blocks((4, 4, 4), overlap=-1))


def test_levels(tmp_path, take):
    volume = np.random.default_rng(0).integers(0, 5000, (70, 131, 90)).astype("u2")
    scan = take(write_slices(tmp_path / "s", volume), spacing_mm_zyx=(0.06, 0.05, 0.05))
    in_memory = Scan(values=volume, geometry=scan.geometry)
    for stored, held in zip(levels(scan), levels(in_memory), strict=True):
        assert stored.factor == held.factor
        assert stored.geometry == held.geometry
        assert np.array_equal(np.asarray(stored.values), np.asarray(held.values))
    assert [level.factor for level in levels(scan)] == [1, 2, 4]
    assert choose_level(scan, 0.01).factor == 1
    assert choose_level(scan, 0.06).factor == 1
    assert choose_level(scan, 0.11).factor == 1
    assert choose_level(scan, 0.12).factor == 2
    assert choose_level(scan, 99).factor == 4
    coarse = choose_level(scan, 99)
    assert np.allclose(coarse.to_full_index([0, 0, 0]), 1.5)
    assert np.allclose(coarse.from_full_index(coarse.to_full_index([3, 4, 5])), [3, 4, 5])
    with pytest.raises(OssicleError):
        choose_level(scan, 0)


@pytest.mark.parametrize("name", ["parts é.nii.gz", "parts.nii"])
@pytest.mark.parametrize(
    "affine", [None, affine_of(rotation(2), SPACING[::-1]), affine_of(-rotation(2), SPACING[::-1])]
)
def test_parts_lie_on_the_scans_grid(tmp_path, name, affine):
    """Read back by nibabel and SimpleITK: (i, j, k) = (column, row, slice), and the affine of the scan."""
    labels = np.random.default_rng(0).integers(0, 300, (6, 11, 13))
    geometry = Geometry(SPACING, affine)
    write_parts_nifti(tmp_path / name, labels, geometry)
    image = nib.load(tmp_path / name)
    assert image.get_data_dtype() == np.uint16
    assert np.array_equal(np.asarray(image.dataobj), labels.T)
    assert np.allclose(image.affine, np.diag([*SPACING[::-1], 1]) if affine is None else affine, atol=1e-5)
    theirs = SimpleITK.ReadImage(str(tmp_path / name))
    assert np.array_equal(SimpleITK.GetArrayFromImage(theirs), labels)
    for index in ([0, 0, 0], [12, 10, 5]):
        place = np.array(theirs.TransformIndexToPhysicalPoint(index)) * [-1, -1, 1]
        assert np.allclose(geometry.to_scan_mm(index), place, atol=1e-4)
    assert [p.name for p in tmp_path.iterdir()] == [name]


def test_parts_written_are_taken_in_again_with_the_same_geometry(tmp_path, take):
    labels = np.random.default_rng(0).integers(0, 5, (6, 11, 13)).astype("u1")
    geometry = Geometry(SPACING, affine_of(-rotation(2), SPACING[::-1]))
    write_parts_nifti(tmp_path / "a.nii.gz", labels, geometry)
    scan = take(tmp_path / "a.nii.gz")
    assert np.array_equal(scan.array(), labels)
    assert np.allclose(scan.geometry.affine, geometry.affine, atol=1e-5)
    assert scan.geometry.handedness() == "left"


def test_equal_labels_make_equal_files(tmp_path):
    labels = np.arange(24).reshape(2, 3, 4)
    for name in "ab":
        write_parts_nifti(tmp_path / f"{name}.nii.gz", labels, Geometry(SPACING))
    assert (tmp_path / "a.nii.gz").read_bytes() == (tmp_path / "b.nii.gz").read_bytes()


def test_parts_refused_leave_nothing_and_the_old_file(tmp_path):
    (tmp_path / "a.nii.gz").write_bytes(b"old")
    for labels in (
        np.full((2, 3, 4), -1),
        np.full((2, 3, 4), 2**33),
        np.zeros((2, 3, 4), "f4"),
        np.zeros((3, 4), "u1"),
    ):
        with pytest.raises(OssicleError):
            write_parts_nifti(tmp_path / "a.nii.gz", labels, Geometry(SPACING))
    with pytest.raises(OssicleError):
        write_parts_nifti(tmp_path / "a.mha", np.zeros((2, 3, 4), "u1"), Geometry(SPACING))
    with pytest.raises(OssicleError):
        write_parts_nifti(tmp_path / "gone" / "a.nii", np.zeros((2, 3, 4), "u1"), Geometry(SPACING))
    assert [(p.name, p.read_bytes()) for p in tmp_path.iterdir()] == [("a.nii.gz", b"old")]
