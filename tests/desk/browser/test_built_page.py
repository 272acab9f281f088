"""The built page that ships is the one that the sources make, is small enough, and asks nothing of other hosts."""

from __future__ import annotations

import gzip
import hashlib
import json
import re
from importlib.resources import files
from pathlib import Path

PAGE = Path(str(files("ossicle.desk"))) / "page"
WEB = Path(__file__).resolve().parents[3] / "web"
TAKEN = ["build", "src", "index.html", "package.json", "package-lock.json", "tsconfig.json", "vite.config.ts"]
MOST_SCRIPT = 1_500_000
"""Bytes of script, gzip-compressed: what a page may take that opens at once."""


def digest_of_sources() -> str:
    """The same digest as ``web/build/stamp.ts`` takes, without Node."""
    found = [file for name in TAKEN for file in ([WEB / name] if (WEB / name).is_file() else (WEB / name).rglob("*"))]
    lines = sorted(
        (f.relative_to(WEB).as_posix(), hashlib.sha256(f.read_bytes()).hexdigest()) for f in found if f.is_file()
    )
    whole = hashlib.sha256()
    for name, digest in lines:
        whole.update(f"{name}\0{digest}\n".encode())
    return whole.hexdigest()


def test_the_built_page_matches_its_sources() -> None:
    built = json.loads((PAGE / "source.json").read_text())["sources_sha256"]
    assert built == digest_of_sources(), "build the page again: cd web && npm ci && npm run build"


def test_every_file_that_the_page_names_ships_with_it() -> None:
    index = (PAGE / "index.html").read_text()
    named = re.findall(r'(?:src|href)="/(assets/[^"]+)"', index)
    assert any(name.endswith(".js") for name in named)
    styles = [PAGE / name for name in named if name.endswith(".css")]
    fonts = [
        f"assets/{u}" for s in styles for u in re.findall(r"url\(/?(?:assets/)?([^)\"']+\.woff2)\)", s.read_text())
    ]
    assert fonts
    assert [name for name in [*named, *fonts] if not (PAGE / name).is_file()] == []
    assert index.count("{{desk-token}}") == 1
    assert "SIL OPEN FONT LICENSE" in (PAGE / "licences.txt").read_text().upper()


def test_scripts_are_small() -> None:
    size = sum(len(gzip.compress(f.read_bytes(), 9)) for f in PAGE.rglob("*.js"))
    assert 10_000 < size < MOST_SCRIPT


def test_the_page_holds_nothing_that_its_policy_forbids() -> None:
    index = (PAGE / "index.html").read_text()
    assert re.findall(r"<script(?![^>]*\bsrc=)", index) == []
    assert "style=" not in index
    assert "<style" not in index
    hosts = {
        h
        for f in PAGE.rglob("*")
        if f.suffix in (".js", ".css", ".html")
        for h in re.findall(r"url\(['\"]?https?://([\w.-]+)", f.read_text())
    }
    assert hosts == set()
