"""List what Ossicle is made with: names, versions and licences, from the metadata of what is installed.

``python scripts/licences.py`` writes the list into docs/trust.md between its marks. What is listed is what the package
itself asks for, and what that asks for, and so on; tools of the tests and of training are not.
"""

from __future__ import annotations

import re
import sys
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PAGE = ROOT / "docs" / "trust.md"
BEGIN, END = "<!-- licences: made by scripts/licences.py -->", "<!-- licences: end -->"
NAME = re.compile(r"^([A-Za-z0-9._-]+)")


def plain(name: str) -> str:
    """Return a package's name as PEP 503 has it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def needed(first: list[str]) -> dict[str, Distribution]:
    """Return what is installed of these and of all that they ask for here, without their extras."""
    from packaging.requirements import Requirement

    found: dict[str, Distribution] = {}
    todo: list[tuple[str, frozenset[str]]] = [
        (plain(r.name), frozenset(r.extras)) for r in map(Requirement, first) if r.marker is None or r.marker.evaluate()
    ]
    seen: set[tuple[str, frozenset[str]]] = set()
    while todo:
        name, extras = todo.pop()
        if (name, extras) in seen:
            continue
        seen.add((name, extras))
        try:
            own = distribution(name)
        except PackageNotFoundError:
            print(f"{name} is not installed here", file=sys.stderr)
            continue
        found[name] = own
        for text in own.requires or []:
            asked = Requirement(text)
            if asked.marker is None or any(asked.marker.evaluate({"extra": e}) for e in ("", *extras)):
                todo.append((plain(asked.name), frozenset(asked.extras)))
    return found


def licence(own: Distribution) -> str:
    """Return a package's licence: its SPDX expression, else its classifiers, else the first line of its text."""
    told = own.metadata
    if told.get("License-Expression"):
        return str(told["License-Expression"])
    classes = [c.rpartition(":: ")[2] for c in told.get_all("Classifier") or [] if c.startswith("License ::")]
    classes = [c for c in classes if c != "OSI Approved"]
    if classes:
        return "; ".join(classes)
    first = (told.get("License") or "").strip().splitlines()
    return first[0][:60] if first else "not stated"


def table() -> str:
    """Return the list as a table."""
    import tomllib

    first = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["dependencies"]
    rows = [
        f"| {name} | {own.version} | {licence(own).replace('|', '/')} |" for name, own in sorted(needed(first).items())
    ]
    return "\n".join(["| package | version | licence, as it states it |", "|---|---|---|", *rows])


def main() -> None:
    """Write the list."""
    page = PAGE.read_text(encoding="utf-8")
    before, begin, rest = page.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise SystemExit(f"{PAGE} lacks the marks {BEGIN!r} and {END!r}")
    PAGE.write_text(f"{before}{BEGIN}\n\n{table()}\n\n{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
