"""What a piece of a Zarr store becomes, against numcodecs (the library that unfolds it)."""

from __future__ import annotations

import bz2
import gzip
import lzma
import zlib
from pathlib import Path

import numcodecs
import numpy as np
import pytest
import zarr
from hypothesis import given, settings
from hypothesis import strategies as st
from zarr.codecs import BloscCodec, GzipCodec, ZstdCodec

from ossicle.errors import OssicleError
from ossicle.scans.unfolding import BoundedStore, unfolded_size
from ossicle.scans.zarr_guard import check_array

CODECS = {
    "zstd": numcodecs.Zstd(),
    "blosc": numcodecs.Blosc(),
    "lz4": numcodecs.LZ4(),
    "zlib": numcodecs.Zlib(),
    "gzip": numcodecs.GZip(),
    "bz2": numcodecs.BZ2(),
    "lzma": numcodecs.LZMA(),
}
PACK = {"zlib": zlib.compress, "gzip": gzip.compress, "bz2": bz2.compress, "lzma": lzma.compress}


@pytest.mark.parametrize("codec", CODECS)
@settings(deadline=None, max_examples=20)
@given(size=st.integers(1, 300_000), seed=st.integers(0, 9), kinds=st.integers(1, 256))
def test_the_size_is_that_of_what_numcodecs_returns(codec: str, size: int, seed: int, kinds: int) -> None:
    data = np.random.default_rng(seed).integers(0, kinds, size, np.uint8).tobytes()
    packed = bytes(CODECS[codec].encode(data))
    assert unfolded_size(packed, codec, size) == size
    if codec in PACK:  # what says nothing of its size is unfolded as far as beyond what is allowed
        assert unfolded_size(packed, codec, size - 1) >= size


@pytest.mark.parametrize("codec", ["gzip", "bz2", "lzma", "zstd"])
def test_members_that_follow_one_another_count_together(codec: str) -> None:
    one = bytes(CODECS[codec].encode(bytes(100_000)))
    assert unfolded_size(one * 50, codec, 400_000) > 400_000
    assert unfolded_size(one * 3, codec, 400_000) == 300_000


@pytest.mark.parametrize("codec", CODECS)
@given(data=st.binary(max_size=300))
def test_any_bytes_have_some_size(codec: str, data: bytes) -> None:
    assert unfolded_size(data, codec, 10_000) >= 0


def _grow(array: zarr.Array, folder: Path) -> None:
    """Say that the array's pieces are smaller than they are."""
    told = folder / "zarr.json"
    shape, piece = str(array.shape[0]), str(array.chunks[0])
    small = str(int(piece) // 8)
    told.write_text(told.read_text().replace(shape, str(int(shape) // 8)).replace(piece, small))


@pytest.mark.parametrize("compressor", [ZstdCodec(), BloscCodec(), GzipCodec()], ids=lambda c: type(c).__name__)
@pytest.mark.parametrize("shards", [None, (4096,)], ids=["pieces", "shards"])
def test_pieces_larger_than_their_array_allows_are_refused(tmp_path: Path, compressor, shards) -> None:
    values = np.arange(8192, dtype=np.uint16)
    array = zarr.create_array(
        tmp_path / "a", shape=values.shape, chunks=(1024,), shards=shards, dtype="uint16", compressors=compressor
    )
    array[:] = values
    shape, pieces = check_array(tmp_path / "a", "a")
    assert shape == values.shape
    np.testing.assert_array_equal(zarr.open_array(BoundedStore(tmp_path / "a", pieces), mode="r")[:], values)
    if shards:  # in a shard only the pieces within are made smaller
        told = tmp_path / "a" / "zarr.json"
        told.write_text(told.read_text().replace("1024", "512").replace("4096", "2048").replace("8192", "4096"))
    else:
        _grow(array, tmp_path / "a")
    _, pieces = check_array(tmp_path / "a", "a")
    with pytest.raises(OssicleError, match="unfolds to more"):
        zarr.open_array(BoundedStore(tmp_path / "a", pieces), mode="r")[:]


def test_compressed_twice_is_refused(tmp_path: Path) -> None:
    zarr.create_array(tmp_path / "a", shape=(8,), chunks=(8,), dtype="uint16", compressors=[ZstdCodec(), GzipCodec()])
    with pytest.raises(OssicleError, match="more than one step"):
        check_array(tmp_path / "a", "a")
