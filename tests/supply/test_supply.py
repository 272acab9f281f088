"""What Ossicle is made with and made into: the lock, licences, the wheel; and that it asks nothing of the network."""

from __future__ import annotations

import hashlib
import importlib.util
import os
import re
import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())
LOCK = tomllib.loads((ROOT / "uv.lock").read_text())


def licences() -> Any:
    spec = importlib.util.spec_from_file_location("licences", ROOT / "scripts" / "licences.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_lock_pins_each_dependency_by_digest() -> None:
    known = {p["name"]: p for p in LOCK["package"]}
    asked = [*PROJECT["project"]["dependencies"], *PROJECT["dependency-groups"]["dev"]]
    for text in asked:
        name = licences().plain(re.match(r"[A-Za-z0-9._-]+", text)[0])  # type: ignore[index]
        assert name in known, f"uv lock: {name} is not in the lock"
    for name, package in known.items():
        if name == "ossicle":
            continue
        files = [*package.get("wheels", []), *([package["sdist"]] if "sdist" in package else [])]
        assert files, name
        assert all(f["hash"].startswith("sha256:") for f in files), name


def test_every_package_that_runs_is_listed_with_a_licence() -> None:
    made = licences()
    page = (ROOT / "docs" / "trust.md").read_text()
    listed = {
        row.split("|")[1].strip(): row.split("|")[3].strip()
        for row in page.partition(made.BEGIN)[2].partition(made.END)[0].splitlines()
        if row.startswith("| ") and not row.startswith("| package")
    }
    locked = {p["name"]: p for p in LOCK["package"]}
    todo, needed = [d["name"] for d in locked["ossicle"]["dependencies"] if "marker" not in d], set()
    while todo:
        name = todo.pop()
        if name not in needed:
            needed.add(name)
            todo += [d["name"] for d in locked[name].get("dependencies", []) if "marker" not in d]
    assert needed - set(listed) == set(), "python scripts/licences.py writes them"
    assert len(listed) >= len(PROJECT["project"]["dependencies"])
    for name, licence in listed.items():
        assert licence != "not stated", name
        # Apache-2.0 may be joined with these (https://www.apache.org/legal/resolved.html); strong copyleft may not.
        assert not re.search(r"(?<!L)\b(A?GPL|Affero)", licence), (name, licence)


def build(source: Path, out: Path, **environment: str) -> Path:
    """Build a wheel from a tree; the tools are those of the lock."""
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(out)], cwd=source, check=True,
        env={**os.environ, **environment}, capture_output=True,
    )  # fmt: skip
    return next(out.glob("*.whl"))


def test_the_same_tree_gives_the_same_wheel(tmp_path: Path) -> None:
    """From another place, other times of files, another mask, another zone and language: the same bytes."""
    pytest.importorskip("hatchling")
    tree = tmp_path / "tree"
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        tree.mkdir(exist_ok=True)
        shutil.copy(ROOT / name, tree)
    skipped = shutil.ignore_patterns("__pycache__", "*.pyc")
    shutil.copytree(ROOT / "src", tree / "src", ignore=skipped)
    epoch = "1767225600"
    one = build(tree, tmp_path / "one", SOURCE_DATE_EPOCH=epoch, TZ="UTC", LC_ALL="C")
    other = tmp_path / "elsewhere" / "deeper"
    shutil.copytree(tree, other)
    for path in other.rglob("*"):
        os.utime(path, (1_000_000_000, 1_000_000_000))
        path.chmod(0o700 if path.is_dir() else 0o600)
    two = build(other, tmp_path / "two", SOURCE_DATE_EPOCH=epoch, TZ="Pacific/Auckland", LC_ALL="C.UTF-8")
    digests = [hashlib.sha256(w.read_bytes()).hexdigest() for w in (one, two)]
    if digests[0] != digests[1]:
        with zipfile.ZipFile(one) as a, zipfile.ZipFile(two) as b:
            assert [(i.filename, i.CRC, i.date_time, i.external_attr) for i in a.infolist()] == [
                (i.filename, i.CRC, i.date_time, i.external_attr) for i in b.infolist()
            ]
    assert digests[0] == digests[1]
    with zipfile.ZipFile(one) as wheel:
        names = wheel.namelist()
    assert "ossicle/desk/page/index.html" in names
    assert any(n.endswith("licenses/LICENSE") for n in names)
    assert not [n for n in names if "__pycache__" in n or n.startswith(("tests/", "benchmarks/"))]


OFFLINE = """
import socket, sys
asked = []
def heard(event, words):
    if event in ("socket.getaddrinfo", "socket.gethostbyname", "socket.sendto", "urllib.Request"):
        asked.append((event, words)); raise OSError("the network was asked: " + event)
    if event == "socket.connect" and words[0].family != socket.AF_UNIX:
        asked.append((event, words[1])); raise OSError("the network was asked: connect")
sys.addaudithook(heard)
try:
    socket.create_connection(("192.0.2.1", 9))
except OSError:
    assert asked
    asked.clear()
from pathlib import Path
import numpy as np
from ossicle.cli import main
at = Path(sys.argv[1])
assert main(["practice", "list"]) == 0
rng = np.random.default_rng(0)
np.save(at / "noise.npy", rng.normal(100, 5, (20, 21, 22)).astype(np.float32))
assert main(["read", str(at / "noise.npy"), "--spacing", "0.1", "--out", str(at / "out"), "--threads", "1"]) == 0
assert main(["desk", str(at / "none"), "--no-browser"]) == 2
import ossicle.desk.app, ossicle.desk.server, uvicorn
import onnxruntime
assert asked == [], asked
print("nothing was asked")
"""


def test_nothing_is_asked_of_the_network(tmp_path: Path) -> None:
    """Reading, the list of practice specimens, the desk: each asks for a connection in no case, and needs none.

    Python's audit events tell of each attempt (PEP 578); where the system lets us, there is no network at all either,
    and strace hears what compiled libraries ask.
    """
    command = [sys.executable, "-c", OFFLINE, str(tmp_path)]
    trace = tmp_path / "trace"
    if shutil.which("strace"):
        command = ["strace", "-f", "-qq", "-e", "trace=connect,sendto,sendmsg", "-o", str(trace), *command]
    if shutil.which("unshare") and subprocess.run(["unshare", "-rn", "true"], capture_output=True).returncode == 0:
        command = ["unshare", "-rn", *command]
    environment = {
        **os.environ,
        "OSSICLE_CACHE": str(tmp_path),
        "PYTHONPATH": os.pathsep.join(p for p in sys.path if p),
    }
    done = subprocess.run(command, capture_output=True, text=True, env=environment)
    assert done.returncode == 0, done.stderr[-3000:]
    assert "nothing was asked" in done.stdout
    if trace.exists():
        lines = [x for x in trace.read_text().splitlines() if re.search(r"sa_family=AF_INET", x)]
        # The attempt that shows that the audit hook hears is stopped before it reaches the system.
        assert lines == []
