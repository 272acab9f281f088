"""What is read slab by slab is the same, bit for bit, as from a volume in memory; the references are plain NumPy."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import zarr
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import find_objects, zoom

from ossicle.reading import survey as surveying
from ossicle.reading import working_grid as module
from ossicle.reading.survey import survey
from ossicle.reading.tally import boxes_of, tally
from ossicle.reading.working_grid import means, working_grid
from ossicle.scans.lazy import Enlarged, Mapped, inside, least_and_greatest, slabs


@pytest.fixture(scope="module")
def volume() -> np.ndarray:
    rng = np.random.default_rng(7)
    grid = np.indices((70, 61, 83)) - np.array([38.0, 30.0, 41.0])[:, None, None, None]
    ball = np.clip(18 - np.sqrt((grid**2).sum(axis=0)), 0, 1) * 30_000
    return np.asarray(rng.normal(2_000, 300, ball.shape) + ball, np.uint16)


@pytest.fixture(scope="module")
def stored(volume: np.ndarray, tmp_path_factory: pytest.TempPathFactory) -> zarr.Array:
    array = zarr.create_array(
        str(tmp_path_factory.mktemp("store") / "0"), shape=volume.shape, chunks=(16, 32, 32), dtype=volume.dtype
    )
    array[...] = volume
    return array


def test_slabs_hold_every_slice_once(volume: np.ndarray, stored: zarr.Array) -> None:
    box = (slice(5, 69), slice(3, 50), slice(0, 83))
    found = list(slabs(stored, box))
    assert [first for first, _ in found] == [5, 16, 32, 48, 64]
    np.testing.assert_array_equal(np.concatenate([slab for _, slab in found]), volume[box])


def test_the_survey_is_what_slices_of_the_array_are(
    volume: np.ndarray, stored: zarr.Array, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(surveying, "GLANCE", 11)
    monkeypatch.setattr(surveying, "LINES", 40_000)
    for seen in (survey(volume), survey(stored)):
        assert seen.step == 5
        np.testing.assert_array_equal(seen.glance, volume[::5, ::5, ::5].astype(np.float32))
        thin = int(np.ceil(np.sqrt(volume.size / 40_000)))
        assert thin == 3
        for axis, lines in enumerate(seen.lines):
            plain = np.moveaxis(volume, axis, 0)[:, ::thin, ::thin].astype(np.float32)
            np.testing.assert_array_equal(np.moveaxis(lines, axis, 0), plain)


@pytest.mark.parametrize("factor", [1, 2, 3, 5, 7])
@pytest.mark.parametrize("threads", [1, 3])
def test_means_do_not_depend_on_slabs_or_threads(
    volume: np.ndarray, stored: zarr.Array, factor: int, threads: int
) -> None:
    box = (slice(4, 66), slice(1, 60), slice(2, 81))
    cut = volume[box]
    sides = [n // factor for n in cut.shape]
    plain = np.zeros(sides, np.float32)
    for dz, dy, dx in np.ndindex(factor, factor, factor):
        plain += cut[tuple(slice(d, n * factor, factor) for d, n in zip((dz, dy, dx), sides, strict=True))]
    plain /= factor**3
    np.testing.assert_array_equal(means(stored, factor, box, threads=threads), plain)
    np.testing.assert_array_equal(means(cut, factor, threads=threads), plain)


@pytest.mark.parametrize("largest", [26_000_000, 60_000, 7_000])
def test_the_working_grid_of_a_stored_scan_is_that_of_the_scan_in_memory(
    volume: np.ndarray, stored: zarr.Array, monkeypatch: pytest.MonkeyPatch, largest: int
) -> None:
    monkeypatch.setattr(module, "LARGEST", largest)
    one, two = (working_grid(v, (0.1, 0.2, 0.3)) for v in (volume, stored))
    assert (one.start, one.factor, one.spacing_mm_zyx) == (two.start, two.factor, two.spacing_mm_zyx)
    np.testing.assert_array_equal(one.grey, two.grey)


@given(
    st.integers(1, 9),
    st.tuples(*[st.integers(0, 12)] * 3),
    st.tuples(*[st.integers(1, 7)] * 3),
    st.tuples(*[st.integers(0, 5)] * 3),
    st.integers(0, 1 << 30),
)
@settings(max_examples=60, deadline=None)
def test_labels_worked_out_where_asked_for_are_those_of_scipy(
    factor: int, start: tuple[int, int, int], base: tuple[int, int, int], rest: tuple[int, int, int], seed: int
) -> None:
    """scipy.ndimage.zoom to the nearest voxel is the reference."""
    rng = np.random.default_rng(seed)
    labels = rng.integers(0, 5, base).astype(np.int32)
    grown = zoom(labels, factor, order=0, grid_mode=True, mode="nearest")
    shape = tuple(max(a + 1, a + n - 2 + r) for a, n, r in zip(start, grown.shape, rest, strict=True))
    whole = np.zeros(shape, np.int32)
    box = tuple(slice(a, min(a + n, m)) for a, n, m in zip(start, grown.shape, shape, strict=True))
    whole[box] = grown[tuple(slice(0, b.stop - b.start) for b in box)]
    lazy = Enlarged(labels, factor, start, shape)
    np.testing.assert_array_equal(np.asarray(lazy), whole)
    some = tuple(slice(int(rng.integers(0, n)), int(rng.integers(0, n + 1)), int(rng.integers(1, 4))) for n in shape)
    np.testing.assert_array_equal(lazy[some], whole[some])
    assert lazy[-1, 0, -1] == whole[-1, 0, -1]
    count, sums = tally(lazy, 5)
    plain, plain_sums = tally(whole, 5)
    np.testing.assert_array_equal(count, plain)
    np.testing.assert_array_equal(sums, plain_sums)
    for label in range(1, 5):
        at = np.argwhere(whole == label)
        assert plain[label] == len(at)
        assert [s[label] for s in plain_sums] == at.sum(axis=0).tolist()
    found = {part: box for part, box in enumerate(find_objects(whole), start=1) if box is not None}
    assert boxes_of(lazy) == found == boxes_of(whole)


def test_a_large_scan_keeps_its_labels_coarse(volume: np.ndarray, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "LARGEST", 20_000)
    grid = working_grid(volume, (0.1, 0.1, 0.1))
    assert grid.factor > 1
    labels = (grid.grey > 10_000).astype(np.int32) * 3
    whole = grid.on_scan(labels)
    monkeypatch.setattr(module, "IN_MEMORY", 1_000)
    lazy = grid.on_scan(labels)
    assert isinstance(whole, np.ndarray)
    assert isinstance(lazy, Enlarged)
    np.testing.assert_array_equal(np.asarray(lazy), whole)
    enamel = grid.on_scan(labels > 0)
    assert enamel.dtype == np.bool_
    np.testing.assert_array_equal(np.asarray(enamel), whole > 0)
    assert least_and_greatest(lazy) == (0, 3)


def test_a_box_of_a_scan_and_labels_in_a_larger_one(volume: np.ndarray, stored: zarr.Array) -> None:
    box = ((3, 40), (10, 61), (0, 70))
    own = volume[3:40, 10:61, 0:70]
    lazy = Mapped(stored, lambda v: v * np.float32(0.5) + np.float32(3), np.float32, box)
    assert (lazy.shape, lazy.dtype) == (own.shape, np.float32)
    np.testing.assert_array_equal(np.asarray(lazy), own * np.float32(0.5) + np.float32(3))
    labels = (own > 10_000).astype(np.int32)
    whole = np.zeros(volume.shape, np.int32)
    whole[3:40, 10:61, 0:70] = labels
    placed = inside(labels, (3, 10, 0), volume.shape)
    np.testing.assert_array_equal(np.asarray(placed), whole)
    twice = inside(inside(labels, (1, 2, 0), (60, 60, 80)), (2, 8, 0), volume.shape)
    np.testing.assert_array_equal(np.asarray(twice), whole)


def test_what_is_not_in_memory_is_read_forwards_only(tmp_path: Path) -> None:
    lazy = Enlarged(np.ones((2, 2, 2), np.int32), 2, (0, 0, 0), (4, 4, 4))
    with pytest.raises(IndexError, match="forwards"):
        lazy[::-1]
    with pytest.raises(ValueError, match="without reading it"):
        np.array(lazy, copy=False)


def test_labels_worked_out_are_written_as_labels_in_memory(tmp_path: Path) -> None:
    """Files of parts, the labels beside a scan, points inside parts, packed masks: one and the same."""
    from ossicle.collection.anchors import inner_points
    from ossicle.collection.packing import Mask
    from ossicle.scans import Geometry, write_parts_nifti
    from ossicle.scans.labels import open_labels, write_labels
    from ossicle.scans.levels import open_level

    rng = np.random.default_rng(3)
    base = np.repeat(np.repeat(np.repeat(rng.integers(0, 4, (4, 5, 6)), 3, 0), 3, 1), 3, 2).astype(np.int32)
    lazy = Enlarged(base, 3, (5, 0, 2), (50, 45, 60))
    whole = np.asarray(lazy)
    geometry = Geometry((0.1, 0.1, 0.2))
    for name, labels in (("lazy", lazy), ("whole", whole)):
        write_parts_nifti(tmp_path / f"{name}.nii.gz", labels, geometry)
        write_labels(tmp_path / name, labels, geometry)
    assert (tmp_path / "lazy.nii.gz").read_bytes() == (tmp_path / "whole.nii.gz").read_bytes()
    np.testing.assert_array_equal(np.asarray(open_labels(tmp_path / "lazy")), whole)
    levels = sorted(p.name for p in (tmp_path / "whole").iterdir() if p.is_dir())
    assert levels == sorted(p.name for p in (tmp_path / "lazy").iterdir() if p.is_dir())
    for level in map(int, levels):
        thin = whole[:: 2**level, :: 2**level, :: 2**level]
        np.testing.assert_array_equal(np.asarray(open_level(tmp_path / "lazy", level)), thin)
    assert inner_points(lazy, (0.1, 0.1, 0.2)) == inner_points(whole, (0.1, 0.1, 0.2))
    mask = Mask.of(Enlarged(base == 2, 3, (5, 0, 2), (50, 45, 60)))
    assert mask.factor == 3
    np.testing.assert_array_equal(np.asarray(mask), whole == 2)
    np.testing.assert_array_equal(mask[7:30, ::2, 40], (whole == 2)[7:30, ::2, 40])
    np.testing.assert_array_equal(np.asarray(Mask.of(whole == 2)), whole == 2)


def test_a_limit_of_memory_takes_threads_and_then_refuses() -> None:
    from ossicle.errors import OssicleError
    from ossicle.reading.budget import needed_mb, threads_within

    assert threads_within(None, 26_000_000, 0, 8) == 8
    three = needed_mb(26_000_000, 1 << 28, 3)
    assert threads_within(three, 26_000_000, 1 << 28, 8) == 3
    with pytest.raises(OssicleError, match=r"GB of memory, 0\.5 GB are allowed"):
        threads_within(500.0, 26_000_000, 1 << 28, 8)


def test_every_nth_label_is_read_from_the_level_that_holds_it(tmp_path: Path) -> None:
    """Levels finer than needed are taken away: what is asked for must come from the coarse one."""
    import shutil

    from ossicle.scans import Geometry
    from ossicle.scans.labels import open_labels, write_labels

    whole = np.random.default_rng(5).integers(0, 200, (70, 133, 91)).astype(np.int32)
    write_labels(tmp_path / "labels", whole, Geometry((0.1, 0.1, 0.1)))
    kept = open_labels(tmp_path / "labels")
    for key in (
        (slice(4, 66, 4), slice(0, None, 2), slice(8, 80, 6)),
        (slice(2, None, 8), slice(4, 100, 4), slice(6, 90, 2)),
        (slice(3, 9), 5, slice(None)),
        (slice(4, 4, 2), slice(None), slice(None)),
    ):
        np.testing.assert_array_equal(kept[key], whole[key])
    shutil.rmtree(tmp_path / "labels" / "0" / "c")
    coarse = (slice(4, 66, 4), slice(0, None, 2), slice(8, 80, 6))
    assert whole[coarse].any()
    np.testing.assert_array_equal(kept[coarse], whole[coarse])
    assert not kept[4:66, :, 8:80].any()  # the finest is gone indeed
