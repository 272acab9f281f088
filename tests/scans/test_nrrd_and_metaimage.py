"""NRRD (written by pynrrd and SimpleITK) and MetaImage (written by SimpleITK)."""

import nrrd
import numpy as np
import pytest
import SimpleITK

from ossicle.errors import OssicleError

from .conftest import SPACING
from .test_nifti import rotation


def itk_image(volume, directions):
    image = SimpleITK.GetImageFromArray(volume)
    image.SetSpacing(SPACING[::-1])
    image.SetOrigin((3.0, -4.0, 5.0))
    image.SetDirection(tuple(directions.ravel()))
    return image


@pytest.mark.parametrize("name", ["a.nrrd", "a b.nhdr", "é.mha", "a.mhd", "a.nii.gz"])
@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize("flip", [1, -1])
def test_written_by_simpleitk(tmp_path, take, volume, name, packed, flip):
    """The same image by three formats: values, spacing, world places and handedness agree with SimpleITK."""
    directions = rotation(5) * [flip, 1, 1]
    image = itk_image(volume, directions)
    SimpleITK.WriteImage(image, str(tmp_path / name), useCompression=packed)
    scan = take(tmp_path / name)
    assert np.array_equal(scan.array(), volume)
    assert scan.geometry.spacing_mm_zyx == pytest.approx(SPACING, rel=1e-5)
    for index in ([0, 0, 0], [12, 10, 5], [3, 7, 1]):
        theirs = np.array(image.TransformIndexToPhysicalPoint(index)) * [-1, -1, 1]
        assert np.allclose(scan.geometry.to_scan_mm(index), theirs, atol=1e-4)
    assert scan.geometry.handedness() == ("right" if flip == 1 else "left")
    assert not scan.geometry.handedness_assumed


@pytest.mark.parametrize("dtype", ["u1", "i1", "i2", "u2", "i4", "u4", "f4", "f8"])
@pytest.mark.parametrize("encoding", ["raw", "gzip", "bzip2", "ascii"])
def test_nrrd_types_and_encodings(tmp_path, take, volume, dtype, encoding):
    volume = (volume >> (9 if dtype in ("u1", "i1") else 1)).astype(dtype)
    nrrd.write(
        str(tmp_path / "a.nrrd"),
        volume.T,
        {"spacings": SPACING[::-1], "encoding": encoding, "units": ["mm"] * 3},
    )
    scan = take(tmp_path / "a.nrrd")
    assert np.array_equal(scan.array(), volume)
    assert scan.geometry.spacing_mm_zyx == pytest.approx(SPACING)
    assert scan.geometry.handedness_assumed
    assert not any("unit" in w for w in scan.warnings)


@pytest.mark.parametrize(
    ("space", "signs", "handedness"),
    [
        ("right-anterior-superior", (1, 1, 1), "right"),
        ("left-anterior-superior", (-1, 1, 1), "left"),
        ("left-posterior-superior", (-1, -1, 1), "right"),
        ("RAS", (1, 1, 1), "right"),
        ("LAS", (-1, 1, 1), "left"),
        ("3D-left-handed", (1, 1, -1), "left"),
    ],
)
def test_nrrd_spaces(tmp_path, take, volume, space, signs, handedness):
    """Spaces as the NRRD definition (teem.sourceforge.net/nrrd/format.html, "space") names them."""
    header = {"space": space, "space directions": np.diag(SPACING[::-1]), "space origin": [1.0, 2.0, 3.0]}
    nrrd.write(str(tmp_path / "a.nrrd"), volume.T, header)
    geometry = take(tmp_path / "a.nrrd").geometry
    assert np.allclose(geometry.affine[:3, 3], np.array([1, 2, 3]) * signs)
    assert np.allclose(geometry.affine[:3, :3], np.diag(SPACING[::-1]) * np.array(signs)[:, None])
    assert geometry.handedness() == handedness
    assert geometry.scan_mm_is_right_handed()


def test_nrrd_space_without_a_name(tmp_path, take, volume):
    header = {"space dimension": 3, "space directions": np.diag(SPACING[::-1]), "space units": ["um"] * 3}
    nrrd.write(str(tmp_path / "a.nrrd"), volume.T, header)
    scan = take(tmp_path / "a.nrrd")
    assert scan.geometry.spacing_mm_zyx == pytest.approx(np.array(SPACING) / 1000)
    assert scan.geometry.handedness_assumed
    assert any("right-handed" in w for w in scan.warnings)


def nhdr(tmp_path, volume, lines):
    head = "NRRD0005\ntype: uint16\ndimension: 3\nsizes: 13 11 6\nendian: little\nencoding: raw\n"
    text = [head + 'spacings: 1 1 1\nunits: "mm" "mm" "mm"', *lines]
    (tmp_path / "a.nhdr").write_text("\n".join(text) + "\n\n", "utf-8")
    return tmp_path / "a.nhdr"


def test_nrrd_spread_over_files(tmp_path, take, volume):
    for i in range(3):
        (tmp_path / f"part{i + 1:02}.raw").write_bytes(volume[2 * i : 2 * i + 2].tobytes())
    assert np.array_equal(take(nhdr(tmp_path, volume, ["data file: part%02d.raw 1 3 1"])).array(), volume)
    names = [f"part{i + 1:02}.raw" for i in range(3)]
    scan = take(nhdr(tmp_path, volume, ["data file: LIST", *names]))
    assert np.array_equal(scan.array(), volume)
    assert [s.name for s in scan.sources] == ["a.nhdr", *names]


def test_nrrd_skips(tmp_path, take, volume):
    (tmp_path / "a.raw").write_bytes(b"one\ntwo\n12345" + volume.tobytes())
    assert np.array_equal(
        take(nhdr(tmp_path, volume, ["line skip: 2", "byte skip: 5", "data file: a.raw"])).array(), volume
    )
    assert np.array_equal(take(nhdr(tmp_path, volume, ["byte skip: -1", "data file: a.raw"])).array(), volume)


@pytest.mark.parametrize(
    "name", ["../secret.raw", "/etc/hostname", "..\\secret.raw", "sub/../../secret.raw", "C:\\x.raw"]
)
def test_headers_may_not_name_files_elsewhere(tmp_path, take, volume, name):
    (tmp_path / "secret.raw").write_bytes(volume.tobytes())
    inner = tmp_path / "inner"
    inner.mkdir()
    with pytest.raises(OssicleError, match=r"outside its own folder|missing"):
        take(nhdr(inner, volume, [f"data file: {name}"]))
    (inner / "a.mhd").write_text(
        "ObjectType = Image\nNDims = 3\nDimSize = 13 11 6\nElementSpacing = 1 1 1\nElementType = "
        "MET_USHORT\n"
        f"ElementDataFile = {name}\n"
    )
    with pytest.raises(OssicleError, match=r"outside its own folder|missing"):
        take(inner / "a.mhd")


def test_metaimage_types(tmp_path, take, volume):
    for dtype in ("u1", "i1", "i2", "u2", "i4", "u4", "f4", "f8"):
        typed = (volume >> (9 if dtype in ("u1", "i1") else 1)).astype(dtype)
        image = SimpleITK.GetImageFromArray(typed)
        image.SetSpacing(SPACING[::-1])
        SimpleITK.WriteImage(image, str(tmp_path / f"{dtype}.mha"))
        assert np.array_equal(take(tmp_path / f"{dtype}.mha").array(), typed)


def test_metaimage_header_by_hand(tmp_path, take, volume):
    """Big-endian, a header to leave out, no orientation, one file a slice: read as SimpleITK reads it."""
    for i, plane in enumerate(volume):
        (tmp_path / f"s{i:03}.raw").write_bytes(b"head" + plane.astype(">u2").tobytes())
    lines = ["ObjectType = Image", "NDims = 3", "DimSize = 13 11 6", "ElementSpacing = 0.03 0.05 0.07",
             "ElementByteOrderMSB = True", "HeaderSize = 4", "ElementType = MET_USHORT"]  # fmt: skip
    (tmp_path / "a.mhd").write_text("\n".join([*lines, "ElementDataFile = s%03d.raw 0 5 1", ""]))
    scan = take(tmp_path / "a.mhd")
    assert np.array_equal(scan.array(), volume)
    assert np.array_equal(SimpleITK.GetArrayFromImage(SimpleITK.ReadImage(str(tmp_path / "a.mhd"))), volume)
    assert scan.geometry.affine is None
    assert scan.geometry.handedness_assumed
    assert scan.geometry.spacing_mm_zyx == SPACING
    names = [f"s{i:03}.raw" for i in range(6)]
    (tmp_path / "b.mhd").write_text("\n".join([*lines, "ElementDataFile = LIST", *names, ""]))
    assert np.array_equal(take(tmp_path / "b.mhd").array(), volume)


def test_metaimage_without_spacing_is_refused(tmp_path, take, volume):
    (tmp_path / "a.raw").write_bytes(volume.tobytes())
    (tmp_path / "a.mhd").write_text("NDims = 3\nDimSize = 13 11 6\nElementType = MET_USHORT\nElementDataFile = a.raw\n")
    with pytest.raises(OssicleError, match="--spacing"):
        take(tmp_path / "a.mhd")
    assert np.array_equal(take(tmp_path / "a.mhd", spacing_mm_zyx=0.1).array(), volume)


@pytest.mark.parametrize("name", ["a.nrrd", "a.mha"])
@pytest.mark.parametrize("packed", [False, True])
def test_truncated(tmp_path, take, volume, name, packed):
    SimpleITK.WriteImage(itk_image(volume, np.eye(3)), str(tmp_path / name), useCompression=packed)
    raw = (tmp_path / name).read_bytes()
    for keep in (0, 50, len(raw) // 2, len(raw) - 20):
        (tmp_path / name).write_bytes(raw[:keep])
        with pytest.raises(OssicleError):
            take(tmp_path / name)


@pytest.mark.parametrize("packing", ["raw", "gzip"])
def test_huge_claims(tmp_path, take, packing):
    (tmp_path / "a.nrrd").write_text(
        f"NRRD0004\ntype: uint8\ndimension: 3\nsizes: 10000 10000 10000\nencoding: {packing}\nspacings: 1 1 1\n\n"
    )
    with pytest.raises(OssicleError, match="10000"):
        take(tmp_path / "a.nrrd")
    (tmp_path / "a.mha").write_text(
        "NDims = 3\nDimSize = 100 100 1000\nElementSpacing = 1 1 1\nElementType = MET_USHORT\nCompressedData "
        "= "
        f"{packing == 'gzip'}\nElementDataFile = LOCAL\n"
    )
    with pytest.raises(OssicleError, match="cut short"):
        take(tmp_path / "a.mha")


def test_words_of_a_header_reach_no_terminal_as_they_are(tmp_path, take):
    (tmp_path / "a.mha").write_bytes(
        b"NDims = 3\nDimSize = 4 4 4\nElementType = \x1b[2J\xff\nElementDataFile = LOCAL\n"
    )
    with pytest.raises(OssicleError) as caught:
        take(tmp_path / "a.mha")
    assert "\\x1b[2J\\xff" in str(caught.value)
    assert str(caught.value).isprintable()
