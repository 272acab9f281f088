"""What a person may give by mistake: one sentence each, and nothing written."""

import os
from pathlib import Path

import numpy as np
import pytest
import tifffile

from ossicle.errors import OssicleError
from ossicle.scans import list_series, load

from .test_tiff import write_slices


@pytest.fixture
def refused(tmp_path_factory):
    """Return the sentence with which a source is refused, having checked that nothing was kept."""
    cache = tmp_path_factory.mktemp("cache")

    def run(source, **options):
        with pytest.raises(OssicleError) as caught:
            load(source, cache=cache, **options)
        sentence = str(caught.value)
        assert sentence.endswith((".", "?"))
        assert "\n" not in sentence
        assert not any((cache / "scans").glob("*"))
        assert not any((cache / "scans").glob(".*"))
        return sentence

    return run


def test_missing(tmp_path, refused):
    assert "no such file" in refused(tmp_path / "not there é")
    with pytest.raises(OssicleError, match="no such file"):
        list_series(tmp_path / "not there")


def test_empty_folder(tmp_path, refused):
    (tmp_path / "an empty one").mkdir()
    assert "folder is empty" in refused(tmp_path / "an empty one")


def test_folder_of_other_things(tmp_path, refused):
    (tmp_path / "letter.odt").write_text("Dear curator")
    assert "holds no slices" in refused(tmp_path)


def test_unknown_file(tmp_path, refused):
    (tmp_path / "letter.odt").write_text("Dear curator")
    assert "cannot be read" in refused(tmp_path / "letter.odt")


def test_one_slice(tmp_path, refused, volume):
    folder = write_slices(tmp_path / "s", volume[:1])
    assert "one single slice" in refused(folder, spacing_mm_zyx=1)
    assert "one single slice" in refused(folder / "slice_0.tif", spacing_mm_zyx=1)


def test_constant(tmp_path, refused):
    assert "every voxel has the value 7" in refused(
        write_slices(tmp_path / "s", np.full((4, 5, 6), 7, "u1")), spacing_mm_zyx=1
    )


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_not_finite(tmp_path, refused, volume, value):
    volume = volume.astype("f4")
    volume[3, 2, 1] = value
    assert "slice 3 holds values that are not finite" in refused(write_slices(tmp_path / "s", volume), spacing_mm_zyx=1)


@pytest.mark.parametrize("spacing", [0, -0.05, (1, 1, 0), (1, -1, 1), (1, 1), np.nan, np.inf, 1e300, 1e-300])
def test_spacing(tmp_path, refused, volume, spacing):
    assert "positive numbers" in refused(write_slices(tmp_path / "s", volume), spacing_mm_zyx=spacing)


def test_no_spacing(tmp_path, refused, volume):
    sentence = refused(write_slices(tmp_path / "s", volume))
    assert "--spacing 0.05" in sentence
    assert "--spacing Z,Y,X" in sentence


def test_unreadable(tmp_path, refused, volume, monkeypatch):
    folder = write_slices(tmp_path / "s", volume)
    plain = Path.read_bytes

    def read_bytes(path):  # the superuser may read everything, so the refusal is made here
        if path.name == "slice_2.tif":
            raise PermissionError(13, "Permission denied", str(path))
        return plain(path)

    monkeypatch.setattr(Path, "read_bytes", read_bytes)
    assert "slice_2.tif: the file may not be read" in refused(folder, spacing_mm_zyx=1)


def test_links(tmp_path, refused, take, volume):
    folder = write_slices(tmp_path / "s", volume)
    (tmp_path / "to").symlink_to(folder)
    assert np.array_equal(take(tmp_path / "to", spacing_mm_zyx=1).array(), volume)
    (tmp_path / "a").symlink_to(tmp_path / "b")
    (tmp_path / "b").symlink_to(tmp_path / "a")
    refused(tmp_path / "a")
    (folder / "round").symlink_to(folder)
    assert np.array_equal(take(folder, spacing_mm_zyx=1).array(), volume)
    (tmp_path / "dead").mkdir()
    (tmp_path / "dead" / "x.tif").symlink_to(tmp_path / "gone.tif")
    refused(tmp_path / "dead")


def test_device_files_are_not_opened(tmp_path, refused):
    os.mkfifo(tmp_path / "pipe.tif")
    assert "neither a file nor a folder" in refused(tmp_path / "pipe.tif")
    assert "holds no slices" in refused(tmp_path)


def test_names_that_are_not_utf8(tmp_path, take, volume):
    folder = os.fsencode(tmp_path) + b"/sk\xfcll"
    os.mkdir(folder)
    for i, plane in enumerate(volume):
        tifffile.imwrite(os.fsdecode(folder + b"/s\xe9 %d.tif" % i), plane)
    scan = take(Path(os.fsdecode(folder)), spacing_mm_zyx=1)
    assert np.array_equal(scan.array(), volume)
    assert scan.sources[0].name == "s\\xe9 0.tif"
    with pytest.raises(OssicleError) as caught:
        take(Path(os.fsdecode(folder)))
    str(caught.value).encode("utf-8")


def test_a_file_that_vanishes_while_it_is_read(tmp_path, refused, volume):
    folder = write_slices(tmp_path / "s", np.repeat(volume, 30, axis=0))

    def remove(stage, fraction):
        if stage == "reading slices":
            (folder / "slice_179.tif").unlink(missing_ok=True)

    assert "no such file" in refused(folder, spacing_mm_zyx=1, progress=remove)


def test_a_series_of_a_single_volume(tmp_path, refused, volume):
    np.save(tmp_path / "a.npy", volume)
    assert "leave --series out" in refused(tmp_path / "a.npy", spacing_mm_zyx=1, series="3")
