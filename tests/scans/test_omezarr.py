"""OME-Zarr: stores of others are read, and ours follow NGFF 0.5 (ngff.openmicroscopy.org/0.5), as
ome-zarr-models checks.
"""

import json
import pickle
import shutil

import numpy as np
import ome_zarr_models
import ome_zarr_models.v04
import ome_zarr_models.v05
import pytest
import zarr
from numcodecs import Blosc, Pickle

from ossicle.errors import OssicleError
from ossicle.scans import levels, open_store
from ossicle.scans.store import halve

from .conftest import SPACING
from .test_tiff import write_slices

AXES = [{"name": n, "type": "space", "unit": "micrometer"} for n in "zyx"]
FULL = [{"name": "t", "type": "time"}, {"name": "c", "type": "channel"}, *AXES]


def foreign(path, volume, version="0.4", axes=AXES, name="0", scale=None, **options):
    """A store as other programs write it."""
    zarr_format = 2 if version == "0.4" else 3
    group = zarr.create_group(str(path), zarr_format=zarr_format)
    shape = (1,) * (len(axes) - 3) + volume.shape
    if version != "0.4":
        options["dimension_names"] = [axis["name"] for axis in axes]
    chunks = (1,) * (len(axes) - 3) + (4, 5, 6)
    array = group.create_array(name, shape=shape, chunks=chunks, dtype=volume.dtype, **options)
    array[...] = volume.reshape(shape)
    scale = [1.0] * (len(axes) - 3) + [v * 1000 for v in SPACING] if scale is None else scale
    image = {
        "axes": axes,
        "datasets": [{"path": name, "coordinateTransformations": [{"type": "scale", "scale": scale}]}],
        "name": "x",
    }
    if version == "0.4":
        group.attrs["multiscales"] = [{"version": "0.4", **image}]
    else:
        group.attrs["ome"] = {"version": version, "multiscales": [image]}
    return path


@pytest.mark.parametrize("version", ["0.4", "0.5"])
@pytest.mark.parametrize("axes", [AXES, FULL], ids=["zyx", "tczyx"])
def test_stores_of_others(tmp_path, take, volume, version, axes):
    path = foreign(tmp_path / "é x.ome.zarr", volume, version, axes)
    models = ome_zarr_models.v04 if version == "0.4" else ome_zarr_models.v05
    models.Image.from_zarr(zarr.open_group(str(path), mode="r"))  # the test's own store is a valid one
    scan = take(path)
    assert np.array_equal(scan.array(), volume)
    assert scan.geometry.spacing_mm_zyx == pytest.approx(SPACING)
    assert scan.geometry.handedness_assumed
    assert len(scan.sources) == 1


def test_codecs(tmp_path, take, volume):
    path = foreign(tmp_path / "a.zarr", volume, compressors=Blosc(cname="lz4"))
    assert np.array_equal(take(path).array(), volume)
    path = foreign(tmp_path / "b.zarr", volume, "0.5", shards=(8, 10, 12))
    assert np.array_equal(take(path).array(), volume)


@pytest.mark.parametrize("version", ["0.4", "0.5"])
def test_absent_pieces_are_told(tmp_path, take, volume, version):
    path = foreign(tmp_path / "a.zarr", volume, version)
    assert not any("absent" in w for w in take(path).warnings)
    pieces = [p for p in (path / "0").rglob("*") if p.is_file() and "zarr" not in p.name and p.name != ".zattrs"]
    assert len(pieces) == 2 * 3 * 3
    pieces[5].unlink()
    assert any("1 of the store's 18 pieces are absent" in w for w in take(path).warnings)


def test_a_store_of_several_images(tmp_path, take, volume):
    zarr.create_group(str(tmp_path / "a.zarr"), zarr_format=2)
    for name in "01":
        foreign(tmp_path / "a.zarr" / name, volume >> int(name))
    with pytest.raises(OssicleError, match="2 images; choose one with --series: 0, 1"):
        take(tmp_path / "a.zarr")
    assert np.array_equal(take(tmp_path / "a.zarr", series="1").array(), volume >> 1)


def test_unit_that_is_not_named(tmp_path, take, volume):
    path = foreign(tmp_path / "a.zarr", volume, axes=[{"name": n, "type": "space"} for n in "zyx"])
    with pytest.raises(OssicleError, match="no unit of length"):
        take(path)
    assert take(path, spacing_mm_zyx=0.1).geometry.spacing_mm_zyx == (0.1,) * 3


def test_a_scan_can_be_sent_to_another_process(tmp_path, take, volume):
    scan = take(write_slices(tmp_path / "s", volume), spacing_mm_zyx=SPACING)
    again = pickle.loads(pickle.dumps(scan))
    assert np.array_equal(again.values[2:4], volume[2:4])
    assert again.geometry == scan.geometry


def edited(path, file, change):
    data = json.loads((path / file).read_text())
    change(data)
    (path / file).write_text(json.dumps(data))


@pytest.mark.parametrize(
    ("file", "change", "said"),
    [
        (".zattrs", lambda d: d.clear(), "no OME-Zarr image"),
        (".zattrs", lambda d: d["multiscales"][0].update(version="0.9"), "0.9 is not read"),
        (
            ".zattrs",
            lambda d: d["multiscales"][0]["datasets"][0].update(path="../other"),
            "outside the store",
        ),
        (".zattrs", lambda d: d["multiscales"][0]["datasets"][0].update(path="/etc"), "outside the store"),
        (".zattrs", lambda d: d["multiscales"][0]["datasets"][0].update(path="7"), "missing"),
        (".zattrs", lambda d: d["multiscales"][0]["axes"].reverse(), "axes"),
        (".zattrs", lambda d: d["multiscales"][0].update(datasets=[]), "cannot be read"),
        ("0/.zarray", lambda d: d.update(shape=[10000, 10000, 10000]), "10000"),
        ("0/.zarray", lambda d: d.update(chunks=[10**6, 10**6, 10**6]), "larger than 1 GB"),
        ("0/.zarray", lambda d: d.update(chunks=[0, 5, 6]), "proper shape"),
        ("0/.zarray", lambda d: d.update(dtype="|O", filters=[{"id": "pickle"}]), "grey values"),
        ("0/.zarray", lambda d: d.update(filters=[{"id": "pickle"}]), "pickle is not read"),
    ],
)
def test_faults(tmp_path, take, volume, file, change, said):
    path = foreign(tmp_path / "a.zarr", volume)
    edited(path, file, change)
    with pytest.raises(OssicleError, match=said):
        take(path)


def test_no_pickle_is_ever_opened(tmp_path, take):
    """An array of Python objects as Zarr 2 allows it: opening one runs what it names."""

    class Trap:
        def __reduce__(self):
            return (open, (str(tmp_path / "sprung"), "w"))

    path = foreign(tmp_path / "a.zarr", np.zeros((4, 5, 6), "u2"))
    objects = np.empty((4, 5, 6), object)
    objects[...] = [Trap()] * 6
    (path / "0" / "0.0.0").write_bytes(Pickle().encode(objects))
    edited(
        path,
        "0/.zarray",
        lambda d: d.update(dtype="|O", filters=[{"id": "pickle"}], compressor=None, fill_value=0),
    )
    with pytest.raises(OssicleError):
        take(path)
    assert not (tmp_path / "sprung").exists()


def test_our_store_follows_ngff(tmp_path, take):
    volume = np.random.default_rng(0).integers(0, 5000, (70, 131, 90)).astype("u2")
    scan = take(write_slices(tmp_path / "s", volume), spacing_mm_zyx=SPACING)
    image = ome_zarr_models.v05.Image.from_zarr(zarr.open_group(str(scan.store), mode="r"))
    multiscale = image.ome_attributes.multiscales[0]
    assert [(a.name, a.unit) for a in multiscale.axes] == [
        ("z", "millimeter"),
        ("y", "millimeter"),
        ("x", "millimeter"),
    ]
    first = volume.astype(float)
    for number, dataset in enumerate(multiscale.datasets):
        steps = {t.type: t for t in dataset.coordinateTransformations}
        array = zarr.open_array(str(scan.store / dataset.path), mode="r")
        assert array.shape == first.shape
        assert steps["scale"].scale == pytest.approx([s * 2**number for s in SPACING])
        if number:
            shift = [s * (2**number - 1) / 2 for s in SPACING]
            assert steps["translation"].translation == pytest.approx(shift)
        assert np.abs(array[...] - first).max() <= 0.5 * (number + 1)  # each level rounds once
        assert array.compressors[0].to_dict()["name"] == "zstd"
        padded = np.pad(first, [(0, n % 2) for n in first.shape], mode="edge")
        z, y, x = (n // 2 for n in padded.shape)
        first = padded.reshape(z, 2, y, 2, x, 2).mean(axis=(1, 3, 5))
    assert number == 2
    assert [level.values.shape for level in levels(scan)][-1] == (18, 33, 23)


@pytest.mark.parametrize("dtype", ["u1", "i1", "u2", "i2", "u4", "i4", "f4"])
@pytest.mark.parametrize("shape", [(8, 6, 4), (7, 5, 3), (1, 2, 3), (2, 1, 1), (9, 8, 1)])
def test_halving_is_the_mean(dtype, shape):
    top = 100.0 if dtype == "f4" else np.iinfo(dtype).max
    block = np.random.default_rng(0).uniform(-top if dtype[0] == "i" else 0, top, shape).astype(dtype)
    padded = np.pad(block.astype(float), [(0, n % 2) for n in shape], mode="edge")
    z, y, x = (n // 2 for n in padded.shape)
    mean = padded.reshape(z, 2, y, 2, x, 2).mean(axis=(1, 3, 5))
    ours = halve(block)
    assert ours.dtype == dtype
    assert np.array_equal(ours, np.floor(mean + 0.5)) if dtype != "f4" else np.allclose(ours, mean)


def test_damage_in_the_store_is_noticed(tmp_path, take, volume):
    """A flipped bit fails zstd's checksum, a missing piece is counted; neither passes for air."""
    scan = take(write_slices(tmp_path / "s", volume), spacing_mm_zyx=1)
    copy = tmp_path / "copy.ome.zarr"
    shutil.copytree(scan.store, copy)
    piece = copy / "0" / "c" / "0" / "0" / "0"
    raw = bytearray(piece.read_bytes())
    raw[len(raw) // 2] ^= 16
    piece.write_bytes(raw)
    with pytest.raises(OssicleError, match="damaged or missing"):
        open_store(copy).array()
    piece.unlink()
    with pytest.raises(OssicleError, match="0 pieces of 1"):
        open_store(copy)


def test_our_store_is_opened_in_place(tmp_path, take, volume):
    scan = take(write_slices(tmp_path / "s", volume), spacing_mm_zyx=SPACING)
    moved = tmp_path / "moved.ome.zarr"
    shutil.copytree(scan.store, moved)
    again = take(moved)
    assert again.store == moved
    assert np.array_equal(again.array(), volume)
    assert (again.geometry, again.sources, again.warnings) == (scan.geometry, scan.sources, scan.warnings)


@pytest.mark.parametrize(
    "change",
    [
        lambda o: o.update(store_version=99),
        lambda o: o.update(geometry={}),
        lambda o: o["geometry"].update(spacing_mm_zyx=[0, 1, 1]),
        lambda o: o.update(sources=[3]),
        lambda o: o.pop("warnings"),
        lambda o: o.update(value_range="ab"),
    ],
)
def test_a_damaged_record_is_one_sentence(tmp_path, take, volume, change):
    scan = take(write_slices(tmp_path / "s", volume), spacing_mm_zyx=SPACING)
    copy = tmp_path / "copy"
    shutil.copytree(scan.store, copy)
    edited(copy, "zarr.json", lambda d: change(d["attributes"]["ossicle"]))
    with pytest.raises(OssicleError):
        open_store(copy)
