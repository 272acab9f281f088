"""Real volumes, fetched from package registries by their ordinary clients, verified and kept; none is committed.

They are kept in ``$OSSICLE_TEST_DATA``, else in the user's cache folder. Where a registry cannot be reached the tests
are skipped with the reason, but with ``CI=true`` they fail: there a skipped test would go unseen.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import os
import shutil
import subprocess
import tarfile
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import NoReturn

import numpy as np
import platformdirs
import pytest

LIMIT = 300
"""Seconds that one call of a registry client may take."""

HEAD = "6ee2104a74558d9f192025244b74d0c264d706f3d2a944e8b0cc74d1cff5b01a"
FIELD = "7a9147c819e426fbd7bf4f0ed5ddac799e54376f64260ef4f650f29e3aa5d4c4"


def unavailable(why: str) -> NoReturn:
    """Skip the test, or fail it where the network must be there."""
    if os.environ.get("CI", "").lower() == "true":
        pytest.fail(f"{why}; with CI=true the real volumes must be there")
    pytest.skip(why)


def kept(name: str, sha256: str, fetch: Callable[[Path], bytes]) -> bytes:
    """Return a file's bytes from the folder of test data, fetched first where it is not there or is spoilt."""
    named = os.environ.get("OSSICLE_TEST_DATA")
    folder = Path(named) if named else Path(platformdirs.user_cache_dir("ossicle-tests"))
    path = folder / f"{sha256[:12]}-{name}"
    if path.is_file():
        data = path.read_bytes()
        if hashlib.sha256(data).hexdigest() == sha256:
            return data
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder) as work:
        data = fetch(Path(work))
        assert hashlib.sha256(data).hexdigest() == sha256, f"{name} is not the file these tests were written for"
        whole = Path(work) / name
        whole.write_bytes(data)
        whole.replace(path)
    return data


def _call(words: list[str], at: Path) -> str:
    if shutil.which(words[0]) is None:
        unavailable(f"{words[0]} is needed to fetch a real volume and is not installed")
    try:
        done = subprocess.run(words, cwd=at, capture_output=True, text=True, timeout=LIMIT, check=True)
    except (subprocess.SubprocessError, OSError) as error:
        unavailable(f"`{' '.join(words)}` could not fetch a real volume ({type(error).__name__})")
    return done.stdout


def _member(archive: tarfile.TarFile, name: str) -> bytes:
    file = archive.extractfile(name)
    assert file is not None, f"{name} is a folder"
    return file.read()


def _head(work: Path) -> bytes:
    name = _call(["npm", "pack", "--silent", "vtk.js@3.0.1"], work).split()[-1]
    with tarfile.open(work / name) as archive:
        return _member(archive, "package/Data/volume/headsq.vti/data/1839938295fe4f0839c9df8d9fa67137.gz")


def _field(work: Path) -> bytes:
    if shutil.which("apt-get") is None or shutil.which("dpkg-deb") is None:
        unavailable("apt-get and dpkg-deb are needed to fetch a real volume, and this is no Debian")
    if not _known("libcgal-demo") and os.geteuid() == 0:
        _call(["apt-get", "update", "-qq"], work)
    _call(["apt-get", "download", "-qq", "libcgal-demo"], work)
    package = next(work.glob("libcgal-demo_*.deb"))
    _call(["dpkg-deb", "-x", package.name, "unpacked"], work)
    with tarfile.open(work / "unpacked/usr/share/doc/libcgal-dev/data.tar.gz") as archive:
        return _member(archive, "data/images/skull_2.9.inr")


def _known(package: str) -> bool:
    """Whether apt has a list that names the package; on a bare machine it has none yet."""
    return bool(subprocess.run(["apt-cache", "show", package], capture_output=True, check=False).stdout)


def head() -> np.ndarray:
    """The human head of npm's vtk.js 3.0.1; library BSD-3-Clause, the scan's own rights unstated: never shipped.

    int16 (z, y, x), z running down, +y anterior, spacing 1.5, 3.2, 3.2 mm; greys look like HU + 1024.
    """
    data = kept("head.gz", HEAD, _head)
    return np.frombuffer(gzip.GzipFile(fileobj=io.BytesIO(data)).read(), "<i2").reshape(93, 64, 64)


HEAD_SPACING = (1.5, 3.2, 3.2)


def skull_field() -> np.ndarray:
    """The smoothed field of a skull in Debian's libcgal-demo (``skull_2.9.inr``), float32 (z, y, x): no teeth in it."""
    data = kept("skull_field.inr", FIELD, _field)
    header = data[:256].decode("ascii")
    assert "XDIM=64\nYDIM=64\nZDIM=64" in header
    return np.frombuffer(data[256:], "<f4").reshape(64, 64, 64)


FIELD_SPACING = (3.65079, 3.94305, 3.94305)


SHAPES_SHA256 = {
    "gorf.dat": "6e2fb0aa98b9cde63d5f6be09609cce8d3f40f1881e669a8cac0d3e8bfe25e94",
    "gorm.dat": "36a0432b50a718361c17c9ffe7fb35e84f13acdba42fd5beb412f1b26c9cc930",
    "macf.dat": "093515c91544cecb7292d665089deeeb9a81638377e119b4a77585d4c03ddf82",
    "macm.dat": "bfea2f6266c4bcabf56c50d49ef65cc05085fdd10ccfe13ec1a3a7343c6e31e4",
}


def debian_file(work: Path, package: str, member: str) -> bytes:
    """Return a file of a Debian package."""
    if shutil.which("apt-get") is None or shutil.which("dpkg-deb") is None:
        unavailable(f"apt-get and dpkg-deb are needed to fetch {package}, and this is no Debian")
    if not _known(package) and os.geteuid() == 0:
        _call(["apt-get", "update", "-qq"], work)
    _call(["apt-get", "download", "-qq", package], work)
    found = next(work.glob(f"{package}_*.deb"))
    _call(["dpkg-deb", "-x", found.name, "unpacked"], work)
    return (work / "unpacked" / member).read_bytes()


def _shapes(work: Path, name: str) -> bytes:
    return debian_file(work, "r-cran-shapes", f"usr/lib/R/site-library/shapes/data/{name}.rda")


def landmarks(name: str) -> np.ndarray:
    """Skull landmarks of Debian's r-cran-shapes (GPL-2, fetched and never shipped), float (specimens, landmarks, k).

    ``gorf.dat`` and ``gorm.dat``: 30 female and 29 male gorillas, 8 landmarks in the midplane; ``macf.dat`` and
    ``macm.dat``: 9 female and 9 male macaques, 7 landmarks in space.
    """
    rdata = pytest.importorskip("rdata")
    data = kept(f"{name}.rda", SHAPES_SHA256[name], lambda work: _shapes(work, name))
    table = rdata.read_rda(io.BytesIO(data))[name]
    return np.asarray(table, float).transpose(2, 0, 1)
