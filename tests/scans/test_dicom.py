"""DICOM, written by pydicom, cross-checked with SimpleITK's (GDCM's) reading of the same series."""

import datetime

import imagecodecs
import numpy as np
import pydicom
import pytest
import SimpleITK
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.encaps import encapsulate
from pydicom.sequence import Sequence
from pydicom.uid import (
    CTImageStorage,
    EnhancedCTImageStorage,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGLosslessSV1,
    JPEGLSLossless,
    RLELossless,
    generate_uid,
)

from ossicle.errors import OssicleError
from ossicle.scans import list_series

from .conftest import SPACING
from .test_nifti import rotation

pytestmark = pytest.mark.filterwarnings("ignore:.*:UserWarning:pydicom")

Z, Y, X = SPACING


def dataset(plane, *, signed=False, bits=16, syntax=ExplicitVRLittleEndian, series="1.2.3", storage=CTImageStorage):
    ds = Dataset()
    ds.file_meta = FileMetaDataset()
    ds.file_meta.TransferSyntaxUID = syntax
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID = storage
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID = generate_uid()
    ds.SeriesInstanceUID, ds.StudyInstanceUID, ds.Modality = series, "1.2", "CT"
    ds.SeriesNumber, ds.SeriesDescription = 4, "invented skull"
    ds.PatientName, ds.PatientID = "Invented", "0"
    ds.ContentDate = datetime.date(2026, 1, 1).strftime("%Y%m%d")
    ds.Rows, ds.Columns = plane.shape[-2:]
    ds.BitsAllocated, ds.BitsStored, ds.HighBit = 16, bits, bits - 1
    ds.PixelRepresentation, ds.SamplesPerPixel, ds.PhotometricInterpretation = int(signed), 1, "MONOCHROME2"
    return ds


def save(ds, path, plane):
    syntax = ds.file_meta.TransferSyntaxUID
    if syntax == RLELossless:
        ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
        ds.PixelData = plane.tobytes()
        ds.compress(RLELossless)
    elif syntax in ENCODERS:
        ds.PixelData = encapsulate([ENCODERS[syntax](plane)])
        ds["PixelData"].VR = "OB"
    else:
        ds.PixelData = plane.astype(plane.dtype.newbyteorder(">" if syntax == ExplicitVRBigEndian else "<")).tobytes()
        ds["PixelData"].VR = "OW"
    ds.save_as(path, enforce_file_format=True)


ENCODERS = {
    JPEGLSLossless: imagecodecs.jpegls_encode,
    JPEG2000Lossless: lambda plane: imagecodecs.jpeg2k_encode(plane, level=0, codecformat="j2k", reversible=True),
    JPEGLosslessSV1: imagecodecs.ljpeg_encode,
    JPEGBaseline8Bit: lambda plane: imagecodecs.jpeg8_encode(plane, level=95),
}


def write(folder, volume, *, directions=None, positions=None, tilt=0.0, names=None, edit=None, **options):
    """Write a series whose names say nothing about its order."""
    folder.mkdir(parents=True, exist_ok=True)
    directions = np.eye(3) if directions is None else directions
    positions = np.arange(len(volume)) * Z if positions is None else positions
    shuffled = np.random.default_rng(1).permutation(len(volume))
    for i, plane in enumerate(volume):
        ds = dataset(plane, **options)
        place = np.array([3.0, -4, 5]) + directions[:, 2] * positions[i] + directions[:, 1] * tilt * positions[i]
        ds.ImagePositionPatient = [f"{v:.10g}"[:16] for v in place]
        ds.ImageOrientationPatient = [f"{v:.10f}"[:16] for v in directions[:, :2].T.ravel()]
        ds.PixelSpacing, ds.SliceThickness, ds.InstanceNumber = [Y, X], Z, int(shuffled[i]) + 1
        if edit is not None:
            edit(ds, i)
        save(ds, folder / (names(i) if names else f"IM{shuffled[i]:04}"), plane)
    return folder


def itk(folder):
    reader = SimpleITK.ImageSeriesReader()
    reader.SetFileNames(reader.GetGDCMSeriesFileNames(str(folder)))
    return reader.Execute()


@pytest.mark.parametrize("syntax", [ExplicitVRLittleEndian, ImplicitVRLittleEndian, ExplicitVRBigEndian])
@pytest.mark.parametrize("names", [None, lambda i: f"é {9 - i}.dcm"])
def test_series_agrees_with_gdcm(tmp_path, take, volume, syntax, names):
    folder = write(tmp_path / "s", volume, directions=rotation(9), syntax=syntax, names=names)
    scan, theirs = take(folder), itk(folder)
    ours, them = scan.array(), SimpleITK.GetArrayFromImage(theirs)
    assert np.array_equal(ours, volume)
    assert np.array_equal(ours, them)
    assert scan.geometry.spacing_mm_zyx == pytest.approx(theirs.GetSpacing()[::-1], rel=1e-5)
    for index in ([0, 0, 0], [12, 10, 5]):
        place = np.array(theirs.TransformIndexToPhysicalPoint(index)) * [-1, -1, 1]
        assert np.allclose(scan.geometry.to_scan_mm(index), place, atol=1e-4)
    assert scan.geometry.handedness() == "right"
    assert not scan.geometry.handedness_assumed
    assert scan.warnings == ()
    assert not any("Invented" in str(part) for part in (scan, scan.sources))


@pytest.mark.parametrize(
    ("syntax", "signed", "bits"),
    [
        *[(s, False, b) for s in (RLELossless, JPEGLSLossless, JPEG2000Lossless, JPEGLosslessSV1) for b in (12, 16)],
        *[(s, True, b) for s in (RLELossless, JPEG2000Lossless) for b in (12, 16)],
    ],
)
def test_lossless_compression(tmp_path, take, volume, syntax, signed, bits):
    volume = volume >> (16 - bits)
    if signed:
        volume = (volume.astype(int) - (1 << (bits - 1))).astype(np.int16)
    folder = write(tmp_path / "s", volume, syntax=syntax, signed=signed, bits=bits)
    assert np.array_equal(take(folder).array(), volume)


def test_lossy_jpeg_of_8_bits(tmp_path, take):
    z, y, x = np.mgrid[:4, :16, :24]
    volume = (100 + 5 * z + 2 * y + x).astype(np.uint8)

    def eight(ds, i):
        ds.BitsAllocated = ds.BitsStored = 8
        ds.HighBit = 7

    folder = write(tmp_path / "s", volume, syntax=JPEGBaseline8Bit, edit=eight)
    assert np.abs(take(folder).array().astype(int) - volume).max() <= 4


def test_bits_above_the_stored_ones_are_removed(tmp_path, take, volume):
    """PS3.5 8.1.1: only BitsStored bits below HighBit hold the value."""
    folder = write(tmp_path / "s", volume, bits=12)
    assert np.array_equal(take(folder).array(), volume & 0x0FFF)

    def high(ds, i):
        ds.HighBit = 15

    folder = write(tmp_path / "t", volume, bits=12, edit=high)
    assert np.array_equal(take(folder).array(), volume >> 4)
    signed = volume.view(np.int16)
    folder = write(tmp_path / "u", signed, bits=12, signed=True)
    assert np.array_equal(take(folder).array(), ((volume & 0x0FFF).astype(int) + 2048) % 4096 - 2048)


def rescaled(slope, intercept, by_slice=0.0):
    def edit(ds, i):
        ds.RescaleSlope, ds.RescaleIntercept, ds.RescaleType = str(slope + i * by_slice), str(intercept), "HU"

    return edit


def test_hounsfield_units(tmp_path, take, volume):
    folder = write(tmp_path / "s", volume >> 4, bits=12, edit=rescaled(1, -1024))
    scan = take(folder)
    assert scan.values.dtype == np.int16
    assert (scan.slope, scan.intercept, scan.grey_unit) == (1, 0, "HU")
    assert np.array_equal(scan.array(), SimpleITK.GetArrayFromImage(itk(folder)))
    assert scan.array().min() < -900


@pytest.mark.parametrize(("slope", "by_slice"), [(0.5, 0.0), (-1.0, 0.0), (1.0, 0.25)])
def test_other_rescaling(tmp_path, take, volume, slope, by_slice):
    scan = take(write(tmp_path / "s", volume, edit=rescaled(slope, -20, by_slice)))
    slopes = slope + np.arange(len(volume)) * by_slice
    assert np.allclose(scan.grey(scan.array()), volume * slopes[:, None, None] - 20, rtol=1e-6)


def test_folders_of_several_series_are_named(tmp_path, take, volume):
    write(tmp_path / "s" / "OTC 1", volume, series="1.2.3")
    write(tmp_path / "s" / "OTC 2", volume // 3, series="1.2.4")
    with pytest.raises(OssicleError, match=r"2 series; choose one .*; or name the folder of one: OTC 1, OTC 2"):
        take(tmp_path / "s")


def test_several_series_are_listed_and_chosen(tmp_path, take, volume):
    write(tmp_path / "s", volume, series="1.2.3")
    write(tmp_path / "s", volume // 3, series="1.2.4", names=lambda i: f"b{i}")
    write(tmp_path / "s", volume[:1], series="1.2.5", names=lambda i: f"c{i}")
    with pytest.raises(OssicleError, match=r"3 series; choose one with --series: 1\.2\.3, number 4, “invented skull”"):
        take(tmp_path / "s")
    assert [(s.id, s.slices) for s in list_series(tmp_path / "s")] == [
        ("1.2.3", 6),
        ("1.2.4", 6),
        ("1.2.5", 1),
    ]
    assert np.array_equal(take(tmp_path / "s", series="1.2.4").array(), volume // 3)
    with pytest.raises(OssicleError, match="no single series"):
        take(tmp_path / "s", series="4")
    with pytest.raises(OssicleError, match="one single slice"):
        take(tmp_path / "s", series="1.2.5")


def test_a_localiser_is_left_out_and_said(tmp_path, take, volume):
    write(tmp_path / "s" / "deep" / "er", volume)
    write(tmp_path / "s", volume[:1], series="1.2.5", names=lambda i: "scout")
    scan = take(tmp_path / "s")
    assert np.array_equal(scan.array(), volume)
    assert any("left out" in w for w in scan.warnings)
    assert scan.sources[0].name.startswith("deep/er/")


def test_irregular_and_missing_slices(tmp_path, take, volume):
    positions = np.array([0, 1, 2, 4, 5, 6]) * Z
    assert any("leave out 1 slice" in w for w in take(write(tmp_path / "s", volume, positions=positions)).warnings)
    positions = np.array([0, 1, 2, 3.2, 4, 5]) * Z
    scan = take(write(tmp_path / "t", volume, positions=positions))
    assert any("irregular" in w for w in scan.warnings)
    assert scan.geometry.spacing_mm_zyx[0] == pytest.approx(Z, rel=0.01)


def test_positions_win_over_headers(tmp_path, take, volume):
    def edit(ds, i):
        ds.SpacingBetweenSlices = "0.1"

    scan = take(write(tmp_path / "s", volume, edit=edit))
    assert scan.geometry.spacing_mm_zyx[0] == pytest.approx(Z)
    assert any("SpacingBetweenSlices says 0.1 mm" in w for w in scan.warnings)


def test_two_images_at_one_position(tmp_path, take, volume):
    with pytest.raises(OssicleError, match="at one position"):
        take(write(tmp_path / "s", volume, positions=np.array([0, 1, 2, 2, 3, 4]) * Z))


def test_copies_are_left_out(tmp_path, take, volume):
    folder = write(tmp_path / "s", volume)
    (folder / "copy").write_bytes((folder / "IM0003").read_bytes())
    scan = take(folder)
    assert np.array_equal(scan.array(), volume)
    assert any("copies" in w for w in scan.warnings)


def test_tilted_gantry_is_told(tmp_path, take, volume):
    scan = take(write(tmp_path / "s", volume, tilt=0.3))
    assert any("degrees off the right angle" in w for w in scan.warnings)
    assert scan.geometry.shear_degrees() == pytest.approx(np.degrees(np.arctan(0.3)), abs=0.1)


def test_different_planes_sizes_and_spacings(tmp_path, take, volume):
    def plane(ds, i):
        if i == 2:
            ds.ImageOrientationPatient = [0, 1, 0, 0, 0, 1]

    with pytest.raises(OssicleError, match="different planes"):
        take(write(tmp_path / "s", volume, edit=plane))

    def spacing(ds, i):
        ds.PixelSpacing = [Y * (1 + i), X]

    with pytest.raises(OssicleError, match="pixel spacing"):
        take(write(tmp_path / "t", volume, edit=spacing))
    write(tmp_path / "u", volume)
    write(tmp_path / "u", volume[:1, :-1], positions=[1.0], names=lambda i: "other")
    with pytest.raises(OssicleError, match="differ in size"):
        take(tmp_path / "u")


def test_without_positions(tmp_path, take, volume):
    def bare(ds, i):
        del ds.ImagePositionPatient
        ds.InstanceNumber = i + 1

    scan = take(write(tmp_path / "s", volume, edit=bare))
    assert np.array_equal(scan.array(), volume)
    assert scan.geometry.affine is None
    assert scan.geometry.handedness_assumed
    assert any("instance number" in w for w in scan.warnings)

    def barer(ds, i):
        bare(ds, i)
        del ds.SliceThickness
        del ds.PixelSpacing

    with pytest.raises(OssicleError, match="--spacing"):
        take(write(tmp_path / "t", volume, edit=barer))


def multiframe(volume, order, syntax=ExplicitVRLittleEndian):
    """An enhanced CT (PS3.3 A.38): frames out of order, positions per frame, spacing and orientation
    shared.
    """
    ds = dataset(volume, syntax=syntax, storage=EnhancedCTImageStorage)
    ds.NumberOfFrames = len(volume)
    shared, measures, plane, values = Dataset(), Dataset(), Dataset(), Dataset()
    measures.PixelSpacing, measures.SliceThickness = [Y, X], Z
    plane.ImageOrientationPatient = [1, 0, 0, 0, 1, 0]
    values.RescaleSlope, values.RescaleIntercept, values.RescaleType = "1", "0", "US"
    shared.PixelMeasuresSequence = Sequence([measures])
    shared.PlaneOrientationSequence = Sequence([plane])
    shared.PixelValueTransformationSequence = Sequence([values])
    ds.SharedFunctionalGroupsSequence = Sequence([shared])
    frames = []
    for z in order:
        frame, place = Dataset(), Dataset()
        place.ImagePositionPatient = [0, 0, f"{z * Z:.6f}"]
        frame.PlanePositionSequence = Sequence([place])
        frames.append(frame)
    ds.PerFrameFunctionalGroupsSequence = Sequence(frames)
    return ds


@pytest.mark.parametrize("syntax", [ExplicitVRLittleEndian, ImplicitVRLittleEndian, RLELossless, JPEGLSLossless])
def test_many_frames_in_one_file(tmp_path, take, volume, syntax):
    order = [3, 1, 0, 5, 4, 2]
    ds = multiframe(volume, order, syntax)
    path = tmp_path / "enhanced.dcm"
    if syntax == JPEGLSLossless:
        ds.PixelData = encapsulate([imagecodecs.jpegls_encode(volume[z]) for z in order])
        ds["PixelData"].VR = "OB"
        ds.save_as(path, enforce_file_format=True)
    else:
        save(ds, path, volume[order])
    scan = take(path)
    assert np.array_equal(scan.array(), volume)
    assert scan.geometry.spacing_mm_zyx == pytest.approx(SPACING)
    assert scan.geometry.handedness() == "right"
    raw = path.read_bytes()
    path.write_bytes(raw[: len(raw) * 2 // 3])
    with pytest.raises(OssicleError):
        take(path)


def test_one_file_of_a_series(tmp_path, take, volume):
    folder = write(tmp_path / "s", volume, names=lambda i: f"{i}.dcm")
    with pytest.raises(OssicleError, match="one single slice"):
        take(folder / "3.dcm")


@pytest.mark.parametrize("syntax", [ExplicitVRLittleEndian, JPEGLSLossless])
def test_truncated(tmp_path, take, volume, syntax):
    folder = write(tmp_path / "s", volume, syntax=syntax, names=lambda i: f"{i}.dcm")
    raw = (folder / "3.dcm").read_bytes()
    for keep in (len(raw) - 30, len(raw) - 200, 300, 140, 20, 0):
        (folder / "3.dcm").write_bytes(raw[:keep])
        with pytest.raises(OssicleError, match=r"3\.dcm|differ"):
            take(folder)


def test_without_preamble(tmp_path, take, volume):
    folder = write(tmp_path / "s", volume, names=lambda i: f"{i}.dcm", syntax=ImplicitVRLittleEndian)
    for path in folder.iterdir():
        ds = pydicom.dcmread(path)
        del ds.file_meta
        ds.preamble = None
        ds.save_as(path, implicit_vr=True, little_endian=True, enforce_file_format=False)
        assert path.read_bytes()[128:132] != b"DICM"
    assert np.array_equal(take(folder).array(), volume)
