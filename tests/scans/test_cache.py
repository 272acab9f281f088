"""The cache: served again, never half-written, never stale."""

import json
import os
import shutil
import time

import numpy as np
import pytest
import tifffile

from ossicle.errors import Cancelled, OssicleError
from ossicle.scans import load
from ossicle.scans.cache import Cache, cache_folder

from .test_tiff import write_slices


class Stages(list):
    def __call__(self, stage, fraction):
        assert 0 <= fraction <= 1
        self.append(stage)


def test_second_load_reads_no_slices(tmp_path, take, volume, monkeypatch):
    monkeypatch.setattr("ossicle.scans.cache._TRUST_AFTER_NS", 0)
    folder = write_slices(tmp_path / "s", volume)
    time.sleep(0.02)
    first = take(folder, spacing_mm_zyx=1)
    stages = Stages()
    again = take(folder, spacing_mm_zyx=1, progress=stages)
    assert stages == []
    assert again.store == first.store
    assert (again.geometry, again.sources, again.warnings) == (first.geometry, first.sources, first.warnings)


def test_a_change_is_noticed(tmp_path, take, volume, monkeypatch):
    monkeypatch.setattr("ossicle.scans.cache._TRUST_AFTER_NS", 0)
    folder = write_slices(tmp_path / "s", volume)
    time.sleep(0.02)
    take(folder, spacing_mm_zyx=1)
    tifffile.imwrite(folder / "slice_2.tif", volume[2] ^ 1)
    assert np.array_equal(take(folder, spacing_mm_zyx=1).array()[2], volume[2] ^ 1)
    (folder / "scan.json").write_text(json.dumps({"grey_unit": "counts"}))
    assert take(folder, spacing_mm_zyx=1).grey_unit == "counts"
    tifffile.imwrite(folder / "slice_6.tif", volume[0] ^ 3)
    assert take(folder, spacing_mm_zyx=1).shape_zyx[0] == 7


def test_fresh_files_are_not_trusted_by_their_times(tmp_path, take, volume):
    """Same size, same times to the clock's grain: only the contents tell (the "racy" case of version
    control).
    """
    folder = write_slices(tmp_path / "s", volume)
    take(folder, spacing_mm_zyx=1)
    before = (folder / "slice_2.tif").stat()
    tifffile.imwrite(folder / "slice_2.tif", volume[2] ^ 1)
    os.utime(folder / "slice_2.tif", ns=(before.st_atime_ns, before.st_mtime_ns))
    assert np.array_equal(take(folder, spacing_mm_zyx=1).array()[2], volume[2] ^ 1)


def test_a_moved_scan_is_known_by_its_contents(tmp_path, take, volume):
    first = take(write_slices(tmp_path / "s", volume), spacing_mm_zyx=1)
    shutil.copytree(tmp_path / "s", tmp_path / "elsewhere")
    stages = Stages()
    assert take(tmp_path / "elsewhere", spacing_mm_zyx=1, progress=stages).store == first.store
    assert "reading slices" not in stages


def test_options_have_stores_of_their_own(tmp_path, take, volume):
    folder = write_slices(tmp_path / "s", volume)
    stores = {take(folder, spacing_mm_zyx=s, mirrored=m).store for s in (1, 2) for m in (False, True)}
    assert len(stores) == 4


def test_a_damaged_store_is_made_again(tmp_path, take, volume):
    folder = write_slices(tmp_path / "s", volume)
    scan = take(folder, spacing_mm_zyx=1)
    shutil.rmtree(scan.store / "0")
    assert np.array_equal(take(folder, spacing_mm_zyx=1).array(), volume)


def leftovers(cache):
    return list((cache / "scans").iterdir()) if (cache / "scans").exists() else []


@pytest.mark.parametrize("error", [Cancelled, KeyboardInterrupt])
def test_stopping_leaves_nothing(tmp_path, take, error):
    volume = np.random.default_rng(0).integers(0, 99, (200, 30, 30)).astype("u1")
    folder = write_slices(tmp_path / "s", volume)

    def stop(stage, fraction):
        if fraction > 0.3:
            raise error

    with pytest.raises(error):
        take(folder, spacing_mm_zyx=1, progress=stop)
    assert leftovers(take.cache) == []
    assert np.array_equal(take(folder, spacing_mm_zyx=1).array(), volume)


def test_an_error_in_the_last_slice_leaves_nothing(tmp_path, take):
    volume = np.random.default_rng(0).integers(0, 99, (140, 30, 30)).astype("u1")
    folder = write_slices(tmp_path / "s", volume)
    (folder / "slice_139.tif").write_bytes(b"II*\0")
    with pytest.raises(OssicleError, match="slice_139"):
        take(folder, spacing_mm_zyx=1)
    assert leftovers(take.cache) == []


def test_abandoned_work_is_swept_after_a_day(tmp_path):
    old, new = tmp_path / "scans" / ".new-old", tmp_path / "scans" / ".new-new"
    for folder in (old, new):
        folder.mkdir(parents=True)
    os.utime(old, (0, 0))
    Cache(tmp_path)
    assert not old.exists()
    assert new.exists()


def test_folder_is_named_by_the_environment(tmp_path, volume, monkeypatch):
    monkeypatch.setenv("OSSICLE_CACHE", str(tmp_path / "k é"))
    assert cache_folder() == tmp_path / "k é"
    scan = load(write_slices(tmp_path / "s", volume), spacing_mm_zyx=1)
    assert (tmp_path / "k é") in scan.store.parents
    monkeypatch.delenv("OSSICLE_CACHE")
    assert "ossicle" in str(cache_folder())


def test_a_cache_that_cannot_be_written(tmp_path, volume):
    folder = write_slices(tmp_path / "s", volume)
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(OssicleError, match="OSSICLE_CACHE"):
        load(folder, spacing_mm_zyx=1, cache=tmp_path / "file")


def test_too_little_space_is_told_before_work_begins(tmp_path, take, volume, monkeypatch):
    folder = write_slices(tmp_path / "s", volume)
    monkeypatch.setattr("shutil.disk_usage", lambda path: type("Usage", (), {"free": 1000})())
    with pytest.raises(OssicleError, match="are free"):
        take(folder, spacing_mm_zyx=1)
    assert leftovers(take.cache) == []


def test_memory_does_not_grow_with_the_number_of_slices(tmp_path, take):
    """Slabs of 64 slices: a stack six times as long takes no more memory (arrays are counted by
    tracemalloc).
    """
    import tracemalloc

    peaks = []
    for slices in (128, 768):
        np.save(
            tmp_path / f"{slices}.npy",
            np.random.default_rng(0).integers(0, 9, (slices, 128, 128)).astype("u1"),
        )
        tracemalloc.start()
        take(tmp_path / f"{slices}.npy", spacing_mm_zyx=1)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < peaks[0] + 6e6  # the longer one alone is 10.5 MB larger


def test_a_disk_that_fills_up_leaves_nothing(tmp_path, take):
    """Writes beyond a limit on file sizes fail as on a full disk."""
    import resource

    folder = write_slices(tmp_path / "s", np.random.default_rng(0).integers(0, 60000, (6, 90, 90)).astype("u2"))
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (10_000, hard))
    try:
        with pytest.raises(OssicleError, match=r"cannot be kept here .*OSSICLE_CACHE"):
            take(folder, spacing_mm_zyx=1)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert leftovers(take.cache) == []
