"""NIfTI, written by nibabel, cross-checked with SimpleITK's reading of the same file."""

import nibabel as nib
import numpy as np
import pytest
import SimpleITK

from ossicle.errors import OssicleError

from .conftest import SPACING


def rotation(seed=3):
    q, _ = np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))
    return q if np.linalg.det(q) > 0 else -q


def affine_of(directions, spacing_xyz, origin=(-5.0, 7.0, 11.0)):
    affine = np.eye(4)
    affine[:3, :3] = directions * np.asarray(spacing_xyz)
    affine[:3, 3] = origin
    return affine


def write(path, volume, affine, kind=nib.Nifti1Image, code=1, unit="mm"):
    image = kind(volume.T, affine)
    image.header.set_xyzt_units(unit)
    image.set_sform(affine, code)
    image.set_qform(affine, code)
    nib.save(image, path)
    return path


@pytest.mark.parametrize("dtype", ["u1", "i2", "u2", "i4", "f4", "f8"])
@pytest.mark.parametrize("name", ["a b.nii", "a.nii.gz", "é.hdr"])
@pytest.mark.parametrize("second", [False, True])
def test_round_trip(tmp_path, take, volume, dtype, name, second):
    volume = (volume >> (9 if dtype == "u1" else 1)).astype(dtype)
    kinds = (nib.Nifti1Pair, nib.Nifti2Pair) if name.endswith("hdr") else (nib.Nifti1Image, nib.Nifti2Image)
    affine = affine_of(rotation(), SPACING[::-1])
    scan = take(write(tmp_path / name, volume, affine, kinds[second]))
    assert np.array_equal(scan.array(), volume)
    assert scan.geometry.spacing_mm_zyx == pytest.approx(SPACING, rel=1e-5)
    assert np.allclose(scan.geometry.affine, affine, atol=1e-4)
    assert len(scan.sources) == (2 if name.endswith("hdr") else 1)


@pytest.mark.parametrize("flip", [1, -1])
def test_world_and_handedness_agree_with_simpleitk(tmp_path, take, volume, flip):
    """SimpleITK gives left, posterior, superior: our right, anterior, superior with the first two signs
    turned.
    """
    affine = affine_of(rotation() * [flip, 1, 1], SPACING[::-1])
    path = write(tmp_path / "a.nii.gz", volume, affine)
    image = SimpleITK.ReadImage(str(path))
    scan = take(path)
    assert np.array_equal(scan.array(), SimpleITK.GetArrayFromImage(image))
    for index in ([0, 0, 0], [12, 10, 5], [3, 7, 1]):
        theirs = np.array(image.TransformIndexToPhysicalPoint(index)) * [-1, -1, 1]
        assert np.allclose(scan.geometry.to_scan_mm(index), theirs, atol=1e-4)
    assert scan.geometry.handedness() == ("right" if flip == 1 else "left")
    assert scan.geometry.scan_mm_is_right_handed()
    assert not scan.geometry.handedness_assumed


def test_no_orientation_stated(tmp_path, take, volume):
    """With both codes 0 ("method 1" of the standard) nothing tells left from right."""
    scan = take(write(tmp_path / "a.nii", volume, affine_of(np.eye(3), SPACING[::-1]), code=0))
    assert scan.geometry.affine is None
    assert scan.geometry.handedness_assumed
    assert scan.geometry.spacing_mm_zyx == pytest.approx(SPACING, rel=1e-5)


@pytest.mark.parametrize(("unit", "factor"), [("micron", 1e-3), ("meter", 1000.0), ("unknown", 1.0)])
def test_units(tmp_path, take, volume, unit, factor):
    affine = affine_of(np.eye(3), np.array(SPACING[::-1]) / factor)
    scan = take(write(tmp_path / "a.nii", volume, affine, unit=unit))
    assert scan.geometry.spacing_mm_zyx == pytest.approx(SPACING, rel=1e-5)
    assert any("names no unit" in w for w in scan.warnings) == (unit == "unknown")


def test_rescaling_is_kept(tmp_path, take, volume):
    image = nib.Nifti1Image((volume.T >> 1).astype(np.int16), np.diag([0.1, 0.1, 0.1, 1]))
    image.header.set_slope_inter(0.25, -100)
    path = tmp_path / "a.nii"
    with path.open("wb") as file:
        image.header.set_data_offset(352)
        file.write(image.header.binaryblock + b"\0" * 4)
        file.write((volume >> 1).astype("<i2").tobytes())
    scan = take(path, spacing_mm_zyx=0.1)
    theirs = nib.load(path).get_fdata().T
    assert np.allclose(scan.grey(scan.array()), theirs)
    assert theirs.min() < 0


def test_two_orientations_that_contradict_are_told(tmp_path, take, volume):
    path = write(tmp_path / "a.nii", volume, affine_of(np.eye(3), (1, 1, 1)))
    image = nib.load(path)
    image.set_qform(np.diag([-1.0, 1, 1, 1]), 1)
    nib.save(image, tmp_path / "b.nii")
    assert any("mirror images" in w for w in take(tmp_path / "b.nii").warnings)


def test_mirrored_option_against_the_header(tmp_path, take, volume):
    path = write(tmp_path / "a.nii", volume, affine_of(np.eye(3), (1, 1, 1)))
    scan = take(path, mirrored=True)
    assert scan.geometry.handedness() == "left"
    assert not scan.geometry.scan_mm_is_right_handed()
    assert any("right-handed axes, the option --mirrored the opposite" in w for w in scan.warnings)


def test_option_scales_the_affine(tmp_path, take, volume):
    affine = affine_of(rotation(), (1, 1, 1))
    scan = take(write(tmp_path / "a.nii", volume, affine), spacing_mm_zyx=(0.3, 0.2, 0.1))
    assert np.allclose(scan.geometry.affine[:3, :3], affine[:3, :3] * [0.1, 0.2, 0.3], atol=1e-6)
    assert any("--spacing was followed" in w for w in scan.warnings)


def test_bad_files(tmp_path, take, volume):
    path = write(tmp_path / "a.nii", volume, np.eye(4))
    raw = path.read_bytes()
    for keep in (0, 100, 352, len(raw) - 1):
        path.write_bytes(raw[:keep])
        with pytest.raises(OssicleError):
            take(path)
    huge = bytearray(raw)
    huge[42:48] = np.array([30_000, 30_000, 30_000], "<i2").tobytes()
    path.write_bytes(huge)
    with pytest.raises(OssicleError, match="30000"):
        take(path)
    negative = bytearray(raw)
    negative[42:44] = np.array([-13], "<i2").tobytes()
    path.write_bytes(negative)
    with pytest.raises(OssicleError):
        take(path)
    packed = write(tmp_path / "a.nii.gz", volume, np.eye(4)).read_bytes()
    (tmp_path / "b.nii.gz").write_bytes(packed[: len(packed) // 2])
    with pytest.raises(OssicleError):
        take(tmp_path / "b.nii.gz")


def test_time_series_is_refused(tmp_path, take, volume):
    nib.save(nib.Nifti1Image(np.stack([volume.T] * 2, -1), np.eye(4)), tmp_path / "a.nii")
    with pytest.raises(OssicleError, match="not one volume"):
        take(tmp_path / "a.nii")
