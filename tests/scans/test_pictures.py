"""PNG, BMP and JPEG, written by Pillow and read by SimpleITK too."""

import struct
import zlib

import numpy as np
import pytest
import SimpleITK
from PIL import Image

from ossicle.errors import OssicleError

from .conftest import SPACING


def write(folder, volume, suffix, **options):
    folder.mkdir()
    for i, plane in enumerate(volume):
        Image.fromarray(plane).save(folder / f"ét {i}{suffix}", **options)
    return folder


@pytest.mark.parametrize(("suffix", "dtype"), [(".png", "u1"), (".png", "u2"), (".bmp", "u1"), (".PNG", "u2")])
def test_exact(tmp_path, take, volume, suffix, dtype):
    volume = (volume >> (8 if dtype == "u1" else 0)).astype(dtype)
    folder = write(tmp_path / "s", volume, suffix)
    scan = take(folder, spacing_mm_zyx=SPACING)
    assert scan.values.dtype == dtype
    assert np.array_equal(scan.array(), volume)
    names = [str(folder / s.name) for s in scan.sources]
    theirs = SimpleITK.GetArrayFromImage(SimpleITK.ReadImage(names))
    assert np.array_equal(theirs if theirs.ndim == 3 else theirs[..., 0], volume)  # BMP comes back in colour


def test_jpeg_is_close_and_said_to_be_lossy(tmp_path, take):
    z, y, x = np.mgrid[:4, :32, :40]
    volume = (100 + 3 * z + 2 * y + x).astype(np.uint8)
    scan = take(write(tmp_path / "s", volume, ".jpg", quality=95), spacing_mm_zyx=1)
    assert np.abs(scan.array().astype(int) - volume).max() <= 4
    assert any("JPEG" in w for w in scan.warnings)


def test_colour_is_refused_and_grey_in_colour_taken(tmp_path, take, volume):
    grey = np.repeat((volume >> 8).astype(np.uint8)[..., None], 3, axis=-1)
    assert np.array_equal(take(write(tmp_path / "g", grey, ".png"), spacing_mm_zyx=1).array(), grey[..., 0])
    grey[0, 0, 0] = 200, 10, 10
    with pytest.raises(OssicleError, match="colour picture"):
        take(write(tmp_path / "c", grey, ".png"), spacing_mm_zyx=1)


def test_palette_of_greys(tmp_path, take, volume):
    folder = tmp_path / "s"
    folder.mkdir()
    for i, plane in enumerate((volume >> 8).astype(np.uint8)):
        picture = Image.fromarray(plane).convert("P")
        picture.putpalette([v for k in range(256) for v in (255 - k,) * 3])
        picture.save(folder / f"{i}.png")
    assert np.array_equal(take(folder, spacing_mm_zyx=1).array(), 255 - (volume >> 8))


def test_spacing_is_never_taken_from_a_picture(tmp_path, take, volume):
    folder = write(tmp_path / "s", volume, ".png", dpi=(508, 508))
    with pytest.raises(OssicleError, match="--spacing"):
        take(folder)


def test_decompression_bomb(tmp_path, take):
    folder = tmp_path / "s"
    folder.mkdir()
    for columns in (60_000, 12_000):  # beyond any slice; and merely beyond what so few bytes can hold
        for i in range(2):
            parts = (
                b"IHDR" + struct.pack(">IIBBBBB", columns, columns, 16, 0, 0, 0, 0),
                b"IDAT" + zlib.compress(b"0"),
            )
            chunks = [struct.pack(">I", len(p) - 4) + p + struct.pack(">I", zlib.crc32(p)) for p in (*parts, b"IEND")]
            (folder / f"{i}.png").write_bytes(b"\x89PNG\r\n\x1a\n" + b"".join(chunks))
        with pytest.raises(OssicleError, match=str(columns)):
            take(folder, spacing_mm_zyx=1)


def test_truncated_or_no_picture_at_all(tmp_path, take, volume):
    folder = write(tmp_path / "s", volume, ".png")
    raw = (folder / "ét 3.png").read_bytes()
    for damaged in (raw[: len(raw) // 2], b"", b"not a picture"):
        (folder / "ét 3.png").write_bytes(damaged)
        with pytest.raises(OssicleError, match="ét 3"):
            take(folder, spacing_mm_zyx=1)
