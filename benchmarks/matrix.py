"""Which specimens a bench run covers: read from TOML or from folders of scans with truth."""

from __future__ import annotations

import hashlib
import itertools
import json
import tomllib
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Specimen:
    """One specimen to read. ``source`` is foreign, practice, control or folder."""

    source: str
    condition: str
    settings: tuple[tuple[str, Any], ...] = ()
    folder: str | None = None
    quick: bool = False

    @property
    def name(self) -> str:
        """Short readable name, unique within a matrix."""
        if self.folder is not None:
            return Path(self.folder).name
        words = [str(v) if k in {"animal", "stage", "preset", "kind", "part"} else f"{k}{v}" for k, v in self.settings]
        return "-".join([self.source, *words]).replace(" ", "").replace("/", "_")

    def key(self) -> str:
        """Hash of everything that decides the specimen's voxels."""
        body: dict[str, Any] = {"source": self.source, "settings": self.settings}
        if self.folder is not None:
            root = Path(self.folder)
            body["truth"] = hashlib.sha256((root / "truth" / "truth.json").read_bytes()).hexdigest()
            body["slices"] = sorted((p.name, p.stat().st_size) for p in (root / "slices").iterdir())
        else:
            body["maker"] = code_hash(maker_files(self.source))
        return hashlib.sha256(json.dumps(body, sort_keys=True, default=list).encode()).hexdigest()[:16]

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        return {**asdict(self), "settings": dict(self.settings), "name": self.name}


@dataclass
class Matrix:
    """Specimens and the bars they are held to, by condition."""

    specimens: list[Specimen]
    bars: dict[str, dict[str, float]] = field(default_factory=dict)
    titles: dict[str, str] = field(default_factory=dict)
    floors: dict[str, dict[str, float]] = field(default_factory=dict)
    """What the quick subset must reach, by condition: what has been reached, less what chance may take."""


def root_of_project() -> Path:
    """Folder that holds ``src`` and ``benchmarks``."""
    return Path(__file__).resolve().parent.parent


def maker_files(source: str) -> list[Path]:
    """Source files that decide what a generator makes."""
    root = root_of_project()
    folder = root / "src" / "ossicle" / "practice" if source == "practice" else root / "benchmarks" / "foreign"
    return sorted(p for p in folder.rglob("*") if p.suffix in {".py", ".toml"})


def reading_files() -> list[Path]:
    """Source files that decide what a reading says."""
    src = root_of_project() / "src" / "ossicle"
    parts = [p for name in ("reading", "scans", "account", "anatomy") for p in (src / name).rglob("*")]
    scoring = root_of_project() / "benchmarks" / "scoring.py"
    return sorted(p for p in [*parts, *src.glob("*.py"), scoring] if p.suffix in {".py", ".toml", ".csv", ".tsv"})


def code_hash(files: Iterable[Path]) -> str:
    """Hash of file contents, in order."""
    h = hashlib.sha256()
    for p in files:
        h.update(p.name.encode())
        h.update(p.read_bytes())
    return h.hexdigest()[:12]


def expand(group: dict[str, Any]) -> list[Specimen]:
    """All combinations of the lists in one ``[[group]]`` table.

    Raises
    ------
    ValueError
        If the group names no source or condition.
    """
    for need in ("source", "condition"):
        if need not in group:
            raise ValueError(f"a group of the matrix names no {need}: {group}")
    plain = {k: v for k, v in group.items() if k not in {"source", "condition", "quick"}}
    lists = {k: v for k, v in plain.items() if isinstance(v, list) and k != "options"}
    fixed = {k: tuple(v) if isinstance(v, list) else v for k, v in plain.items() if k not in lists}
    quick = set(group.get("quick", []))
    out = []
    for values in itertools.product(*lists.values()):
        settings = {**dict(zip(lists, values, strict=True)), **fixed}
        is_quick = "seed" in settings and settings["seed"] in quick
        out.append(Specimen(group["source"], group["condition"], tuple(sorted(settings.items())), None, is_quick))
    return out


def load(path: Path) -> Matrix:
    """Read a matrix file: ``[[group]]`` tables, ``[bars.CONDITION]``, ``[floors.CONDITION]`` and ``[titles]``."""
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    specimens = [s for group in data.get("group", []) for s in expand(group)]
    return Matrix(specimens, data.get("bars", {}), data.get("titles", {}), data.get("floors", {}))


def folders(paths: Iterable[Path]) -> list[Specimen]:
    """Specimens found at or below the given folders (those that hold ``truth/truth.json``)."""
    out = []
    for path in paths:
        hits = (
            [path]
            if (path / "truth" / "truth.json").exists()
            else sorted(p.parent.parent for p in path.glob("**/truth/truth.json"))
        )
        out += [Specimen("folder", "folder", (), str(p.resolve())) for p in hits]
    return out
