"""What a plate is to show, read from a small TOML description.

width = "double"
dpi = 600
columns = 3

[[panel]]
view = "lateral left"

[[panel]]
view = "lateral left"
bone = "veiled"
label = ["upper teeth"]

[[panel]]
finding = "dentition/upper-left/in-crypts"
magnify = 2

[[panel]]
kept = "3fa91c02"
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, Literal

from ossicle.account.records import View
from ossicle.compare import Compared
from ossicle.errors import OssicleError
from ossicle.files import text_within

from .colours import Colouring
from .naming import parts_named
from .scene import Scene, view_in
from .stage import Presence, standard_view

__all__ = [
    "WIDTHS_MM",
    "PanelText",
    "PlateText",
    "panel_fields",
    "plate_text",
    "read_panel",
    "read_plate",
    "view_of",
    "with_scene",
]

WIDTHS_MM: Mapping[str, float] = {"single": 85.0, "one and a half": 114.0, "double": 174.0}
"""Widths of columns as many journals have them (common practice, no source); any number of mm may be given."""
_LETTERS = ("A", "a", "none")


@dataclass(frozen=True)
class PanelText:
    """One panel. ``view`` is a standard view, ``finding`` the id of a finding whose view is taken, ``kept`` that of a
    view kept at the desk, which `with_scene` then puts into ``scene``."""

    view: str = ""
    finding: str = ""
    kept: str = ""
    specimen: str = ""
    bone: Presence = "solid"
    solid: tuple[str, ...] = ()
    veiled: tuple[str, ...] = ()
    absent: tuple[str, ...] = ()
    label: tuple[str, ...] = ()
    lift_mm: float = 0.0
    magnify: float = 1.0
    caption: str = ""
    scene: Scene | None = field(default=None, compare=False)


def panel_fields() -> list[str]:
    """Return what a description may say of a panel."""
    return [f.name for f in fields(PanelText) if f.name != "scene"]


def with_scene(panel: PanelText, kept: Mapping[str, Scene], where: str) -> PanelText:
    """Return a panel with the view that it calls, if it calls one kept at the desk.

    Raises
    ------
    OssicleError
        There is none of that id.
    """
    if not panel.kept:
        return panel
    if panel.kept not in kept:
        known = ", ".join(kept) or "none; keep views at the desk, and name the collection with --in"
        raise OssicleError(f"there is no kept view {panel.kept!r}", where=where, mend=f"kept views: {known}")
    return replace(panel, scene=kept[panel.kept], specimen=kept[panel.kept].shown[0].specimen)


@dataclass(frozen=True)
class PlateText:
    """A plate: its panels in reading order, ``columns`` to a row."""

    panels: tuple[PanelText, ...]
    width_mm: float = WIDTHS_MM["double"]
    height_mm: float = 230.0
    dpi: int = 600
    columns: int = 2
    letters: str = "A"
    colours: Colouring = "generation"
    bar_mm: float | None = None
    captions: bool = True


def plate_text(path: Path) -> PlateText:
    """Read a description.

    Raises
    ------
    OssicleError
        It cannot be read, or says what no plate knows.
    """
    try:
        data = tomllib.loads(text_within(path))
    except (OSError, UnicodeDecodeError) as error:
        raise OssicleError(f"the description cannot be read ({error})", where=path, mend="name a TOML file") from error
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise OssicleError(f"this is no TOML ({error})", where=path, mend="mend that line") from error
    return read_plate(data, str(path))


def read_plate(data: Mapping[str, Any], where: str) -> PlateText:
    """Return a plate from the data of its description; ``where`` is told in errors."""
    data = dict(data)
    panels = data.pop("panel", [])
    if not isinstance(panels, list) or not panels:
        raise OssicleError("the plate has no panel", where=where, mend='begin one with [[panel]] and view = "dorsal"')
    made = tuple(read_panel(p, f"{where}, panel {n}") for n, p in enumerate(panels, start=1))
    width = data.pop("width", "double")
    if isinstance(width, str) and width not in WIDTHS_MM:
        raise OssicleError(f"{width!r} is no width", where=where, mend=f"say mm, or {', '.join(WIDTHS_MM)}")
    kinds = {
        "height_mm": (int, float),
        "dpi": int,
        "columns": int,
        "letters": str,
        "colours": str,
        "bar_mm": (int, float),
        "captions": bool,
    }
    _known(data, kinds, where)
    out = PlateText(made, width_mm=WIDTHS_MM[width] if isinstance(width, str) else float(width), **data)
    if not 40 <= out.width_mm <= 1000 or not 40 <= out.height_mm <= 1500:
        raise OssicleError("a plate is 40 to 1000 mm wide and 40 to 1500 mm high", where=where, mend="change its size")
    if not 72 <= out.dpi <= 1200:
        raise OssicleError(f"{out.dpi} dpi cannot be drawn", where=where, mend="say 72 to 1200")
    if not 1 <= out.columns <= 12:
        raise OssicleError(f"{out.columns} columns cannot be laid out", where=where, mend="say 1 to 12")
    _one_of(out.letters, _LETTERS, "letters", where)
    _one_of(out.colours, ("generation", "class", "grey"), "colours", where)
    if out.bar_mm is not None and not out.bar_mm > 0:
        raise OssicleError("a scale bar is longer than nothing", where=where, mend="give bar_mm above 0")
    return out


def read_panel(data: Any, where: str) -> PanelText:
    """Return a panel from the data of its description; ``where`` is told in errors."""
    if not isinstance(data, dict):
        raise OssicleError("this is no panel", where=where, mend="write it as [[panel]]")
    data = dict(data)
    for key in ("solid", "veiled", "absent", "label"):
        words = data.get(key, [])
        words = [words] if isinstance(words, str) else words
        if not isinstance(words, list) or not all(isinstance(w, str) for w in words):
            raise OssicleError(f"{key} is a list of parts", where=where, mend=f'write {key} = ["teeth"]')
        data[key] = tuple(words)
    kinds = {name: (int, float) if name in ("lift_mm", "magnify") else (str, tuple) for name in panel_fields()}
    _known(data, kinds, where)
    out = PanelText(**data)
    if sum(map(bool, (out.view, out.finding, out.kept))) != 1:
        raise OssicleError(
            "a panel has a view, a finding or a kept view, one of them", where=where, mend='write view = "dorsal"'
        )
    _one_of(out.bone, ("solid", "veiled", "absent"), "bone", where)
    if not 0.05 <= out.magnify <= 50:
        raise OssicleError("magnify lies between 0.05 and 50", where=where, mend="change it")
    return out


def _known(data: Mapping[str, Any], kinds: Mapping[str, Any], where: str) -> None:
    for key, value in data.items():
        if key not in kinds:
            raise OssicleError(f"{key!r} is not known here", where=where, mend=f"choose from {', '.join(kinds)}")
        if not isinstance(value, kinds[key]) or (isinstance(value, bool) and kinds[key] is not bool):
            raise OssicleError(f"{key} = {value!r} is of the wrong kind", where=where, mend="see docs/publish.md")


def _one_of(value: str, known: tuple[str, ...], key: str, where: str) -> None:
    if value not in known:
        raise OssicleError(f"{key} = {value!r} is not known", where=where, mend=f"choose from {', '.join(known)}")


def view_of(panel: PanelText, s: Compared, where: str) -> View:
    """Return the view that a panel asks for."""
    if panel.kept:
        if panel.scene is None:
            raise OssicleError(
                f"there is no kept view {panel.kept!r} of {s.name}",
                where=where,
                mend="name the collection whose desk kept it with --in",
            )
        view = view_in(panel.scene, s.name, panel.caption)
    elif panel.finding:
        found = next((f for f in s.account.findings if f.id == panel.finding), None)
        if found is None or found.evidence.view is None:
            raise OssicleError(
                f"it has no finding {panel.finding!r} with a view",
                where=f"{where}: {s.name}",
                mend="take an id from `ossicle account --json`",
            )
        view = found.evidence.view
    else:
        view = standard_view(panel.view, s, bone=panel.bone)
    presence: dict[int, Presence] = dict(view.presence)
    asked: tuple[tuple[Literal["solid", "veiled", "absent"], tuple[str, ...]], ...] = (
        ("absent", panel.absent),
        ("veiled", panel.veiled),
        ("solid", panel.solid),
    )
    for how, words in asked:
        if words:
            presence |= dict.fromkeys(parts_named(s.account, words, f"{where}: {s.name}"), how)
    return replace(
        view, presence=presence, lift_mm=panel.lift_mm or view.lift_mm, caption=panel.caption or view.caption
    )
