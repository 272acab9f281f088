"""Raw voxels with a sidecar, and NumPy arrays."""

import json
import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ossicle.errors import OssicleError
from ossicle.scans.formats import Request, family_of

NAMES = {
    "u1": "uint8",
    "i1": "int8",
    "u2": "uint16",
    "i2": "short",
    "u4": "uint32",
    "i4": "int32",
    "f4": "float",
}


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    shape=st.tuples(st.integers(2, 7), st.integers(2, 9), st.integers(2, 9)),
    dtype=st.sampled_from(sorted(NAMES)),
    order=st.sampled_from(["little", "big"]),
    head=st.integers(0, 30),
    form=st.sampled_from(["json", "toml", "txt"]),
    xyz=st.booleans(),
)
def test_round_trip(shape, dtype, order, head, form, xyz):
    rng = np.random.default_rng(0)
    volume = rng.integers(0, 100, shape).astype(dtype)
    keys = {
        "type": NAMES[dtype],
        "byte_order": order,
        "header_bytes": head,
        ("shape_xyz" if xyz else "shape_zyx"): list(shape[::-1] if xyz else shape),
        "spacing_mm_zyx": [0.3, 0.2, 0.1],
    }
    with tempfile.TemporaryDirectory() as folder:
        source = Path(folder) / "scan é.raw"
        source.write_bytes(b"\7" * head + volume.astype(volume.dtype.newbyteorder(order)).tobytes())
        if form == "json":
            text = json.dumps(keys)
        elif form == "toml":
            text = "".join(f"{k} = {json.dumps(v)}\n" for k, v in keys.items())
        else:
            text = "".join(f"{k} = {str(v).strip('[]')}\n" for k, v in keys.items())
        source.with_suffix(f".{form}").write_text(text, "utf-8")
        stack = family_of(source).open_stack(source, Request())
        assert np.array_equal(stack.read(0, shape[0]), volume)
        assert np.array_equal(stack.read(1, 2), volume[1:2])


def raw(tmp_path, volume, **keys):
    (tmp_path / "a.raw").write_bytes(volume.tobytes())
    keys = {
        "shape_zyx": volume.shape,
        "type": "uint16",
        "byte_order": "little",
        "spacing_mm_zyx": [1, 1, 1],
        **keys,
    }
    (tmp_path / "a.json").write_text(json.dumps({k: v for k, v in keys.items() if v is not None}))
    return tmp_path / "a.raw"


def test_taken_in(tmp_path, take, volume):
    assert np.array_equal(take(raw(tmp_path, volume)).array(), volume)
    assert np.array_equal(take(tmp_path).array(), volume)  # the one volume in a folder


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ({"shape_zyx": None}, "lacks shape_zyx"),
        ({"type": None, "shape_zyx": None}, "lacks shape_zyx and type"),
        ({"byte_order": None}, "byte order"),
        ({"shape_zyx": [6, 11, 14]}, "cut short"),
        ({"shape_zyx": [6, 11, 12]}, "bytes longer"),
        ({"shape_zyx": [10000, 10000, 10000]}, "more than any scan|cut short"),
        ({"spacing_mm_zyx": None}, "--spacing"),
        ({"spacing_mm_zyx": [0, 1, 1]}, "positive"),
    ],
)
def test_faults(tmp_path, take, volume, keys, said):
    with pytest.raises(OssicleError, match=said):
        take(raw(tmp_path, volume, **keys))


def test_without_a_sidecar(tmp_path, take, volume):
    (tmp_path / "a.raw").write_bytes(volume.tobytes())
    with pytest.raises(OssicleError, match=r"need a sidecar.*a\.json"):
        take(tmp_path / "a.raw", spacing_mm_zyx=1)


@pytest.mark.parametrize("order", ["C", "F"])
@pytest.mark.parametrize("dtype", ["u1", ">u2", "<i2", "f4", "?"])
def test_npy(tmp_path, take, volume, order, dtype):
    volume = np.asarray((volume >> 9).astype(dtype), order=order)
    np.save(tmp_path / "a.npy", volume)
    assert np.array_equal(take(tmp_path / "a.npy", spacing_mm_zyx=1).array(), volume)


def test_npy_refused(tmp_path, take, volume):
    np.save(tmp_path / "a.npy", np.array([[[{}, 1]]], dtype=object), allow_pickle=True)
    with pytest.raises(OssicleError, match="pickled"):
        take(tmp_path / "a.npy", spacing_mm_zyx=1)
    np.save(tmp_path / "b.npy", volume[0])
    with pytest.raises(OssicleError, match="no volume"):
        take(tmp_path / "b.npy", spacing_mm_zyx=1)
    np.save(tmp_path / "c.npy", volume.astype(complex))
    with pytest.raises(OssicleError, match="no volume"):
        take(tmp_path / "c.npy", spacing_mm_zyx=1)
    np.save(tmp_path / "d.npy", volume)
    (tmp_path / "d.npy").write_bytes((tmp_path / "d.npy").read_bytes()[:-2])
    with pytest.raises(OssicleError, match="cut short"):
        take(tmp_path / "d.npy", spacing_mm_zyx=1)
