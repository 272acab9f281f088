"""From what the page sends to decisions, and back: which decisions an undo is about, how a row might be renumbered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from ossicle.anatomy import Locus, ToothName
from ossicle.collection import Decision, Request, in_force, request, words_of
from ossicle.collection.history import last_of, undone
from ossicle.errors import OssicleError
from ossicle.reading.records import ToothRecord, Vector

from .workbench import Shown

__all__ = ["Suggested", "act_of", "act_words", "requests_of", "suggested"]

_POINTS = ("points", "seeds", "stroke")
_DIRECTIONS = ("view", "up", "front")
Suggested = list[dict[str, Any]]


def requests_of(shown: Shown, said: Mapping[str, Any]) -> list[Request]:
    """Return what a person said as requests: one, or for a row renumbered several.

    Parameters
    ----------
    shown
        The specimen as the person sees it.
    said
        ``kind`` and what it needs: ``finding``, ``value``, ``statement``; ``part`` or ``at``; ``parts``; ``locus`` or
        ``name``; ``generation``; ``side``; ``point``, ``points``, ``seeds``, ``stroke`` with ``view``; ``row``;
        ``frame`` (``scan``, or ``skull``) for all points and directions.

    Raises
    ------
    OssicleError
        Something is missing or cannot be.
    """
    given = {k: v for k, v in said.items() if v is not None}
    kind = str(given.pop("kind", ""))
    frame = str(given.pop("frame", "scan"))
    if frame not in ("scan", "skull"):
        raise OssicleError(f"no frame is called {frame!r}", where="frame", mend="say scan or skull")
    whole_row = bool(given.pop("row", False))
    for name in ("part", "parts"):
        if name in given:
            given.setdefault("at", given.pop(name))
    if kind == "rename" and "locus" in given:
        given.setdefault("name", given.pop("locus"))
    if isinstance(given.get("at"), list) and kind != "join" and not _is_point(given["at"]):
        given["at"] = given["at"][0] if given["at"] else None
    turn = np.linalg.inv(shown.scan_to_skull) if frame == "skull" else np.eye(4)
    for name, value in list(given.items()):
        if name == "point":
            given[name] = _moved(turn, value)
        elif name in _POINTS:
            given[name] = tuple(_moved(turn, v) for v in _listed(name, value))
        elif name in _DIRECTIONS:
            given[name] = _turned(shown.scan_to_grid @ turn, value)
        elif name == "at" and _is_point(value):
            given[name] = _moved(turn, value)
        elif name == "at" and isinstance(value, list):
            given[name] = tuple(_moved(turn, v) if _is_point(v) else v for v in value)
    made = request(kind, **given)
    if kind == "rename" and whole_row:
        part = given["at"]
        if not isinstance(part, int):
            raise OssicleError("a row is renumbered from a part", where="part", mend="give the part's number")
        others = [s for s in suggested(shown, part, str(given["name"])) if s["part"] != part]
        return [made, *(request("rename", at=s["part"], name=s["to"]) for s in others)]
    return [made]


def _listed(name: str, value: Any) -> list[Any]:
    if not isinstance(value, list | tuple):
        raise OssicleError("points are wanted here", where=name, mend="give a list of [x, y, z] in mm")
    return list(value)


def _is_point(value: Any) -> bool:
    return (
        isinstance(value, list | tuple)
        and len(value) == 3
        and any(isinstance(v, float) for v in value)
        and all(isinstance(v, int | float) and not isinstance(v, bool) for v in value)
    )


def _moved(matrix: np.ndarray[Any, Any], value: Any) -> Vector:
    x, y, z = _three(value)
    p = matrix @ np.array([x, y, z, 1.0])
    return float(p[0]), float(p[1]), float(p[2])


def _turned(matrix: np.ndarray[Any, Any], value: Any) -> Vector:
    p = matrix[:3, :3] @ np.array(_three(value))
    return float(p[0]), float(p[1]), float(p[2])


def _three(value: Any) -> Vector:
    from ossicle.collection.kinds import vector

    return vector(value, "point")


def act_of(decisions: Sequence[Decision], who: str, kind: str) -> list[Decision]:
    """Return the decisions that an undo or redo of a person is about now: all that were made at one stroke.

    In the order in which they are to be undone or redone; empty where there is none.
    """
    last = last_of(decisions, who, kind)  # type: ignore[arg-type]
    found = next((d for d in decisions if d.number == last), None)
    if found is None:
        return []
    act = found.said.get("act")
    if act is None:
        return [found]
    gone = undone(decisions)
    there = in_force(decisions) if kind == "undo" else [d for d in decisions if d.number in gone]
    same = [d for d in there if d.said.get("act") == act and d.who == found.who]
    return same[::-1] if kind == "undo" else same


def act_words(act: Sequence[Decision]) -> str | None:
    """Return in words what an undo or redo is about; None where there is nothing."""
    if not act:
        return None
    first = min(act, key=lambda d: d.number)
    more = len(act) - 1
    return words_of(first) + (f", and {more} more of its row" if more else "")


def suggested(shown: Shown, part: int, locus: str) -> Suggested:
    """Return how the row of a tooth would be numbered if that tooth stood at ``locus``.

    A tooth of the same class and generation that stands there gives way by one place, and so on, the way in which the
    tooth moves; where a molar becomes a premolar or the other way round, the molars behind it close up or give way.
    The partner in succession goes with each. What a person has named stays.

    Returns
    -------
    list
        ``part``, ``from``, ``to``, ``confidence`` (of the present name), the tooth itself first.
    """
    teeth = {t.part: t for t in shown.replayed.reading.teeth}
    if part not in teeth:
        raise OssicleError(f"part {part} is no tooth", where="part", mend="the account lists the parts")
    tooth, name = teeth[part], ToothName.parse(locus)
    deciduous = name.deciduous
    row = [
        t
        for t in teeth.values()
        if (t.jaw, t.side) == (tooth.jaw, tooth.side) and t.part != part and t.decided_by != "person"
    ]
    level = [t for t in row if (t.generation == "deciduous") == deciduous]
    moves: dict[int, tuple[Any, int]] = {part: (name.tooth_class, name.position)}
    if name.tooth_class == tooth.tooth_class:
        way = 1 if name.position > tooth.position else -1
        if name.position != tooth.position:
            moves |= _pushed(level, name.tooth_class, name.position, way)
    else:
        moves |= _pushed(level, name.tooth_class, name.position, 1 if name.tooth_class == "molar" else -1)
        if tooth.tooth_class == "molar":  # the molars behind close up
            behind = [t for t in level if t.tooth_class == "molar" and t.position > tooth.position]
            moves |= {t.part: ("molar", t.position - 1) for t in behind}
    for moved in list(moves):
        partner = teeth[moved].replaces or teeth[moved].replaced_by
        if partner in teeth and partner not in moves and teeth[partner].decided_by != "person":
            moves[partner] = moves[moved]
    out = []
    for moved, (tooth_class, position) in moves.items():
        other = teeth[moved]
        generation = other.generation
        if moved == part:
            generation = "deciduous" if deciduous else "permanent" if generation == "deciduous" else generation
        to = written(other, tooth_class, position, generation)
        if to != other.name or moved == part:
            out.append({"part": moved, "from": other.name, "to": to, "confidence": round(other.confidence, 4)})
    return out


def _pushed(teeth: Sequence[ToothRecord], tooth_class: Any, at: int, way: int) -> dict[int, tuple[Any, int]]:
    """Return where the teeth of a class go that give way, one after the other, to one that comes to stand ``at``."""
    if tooth_class == "canine":
        return {}
    by_place = {t.position: t for t in teeth if t.tooth_class == tooth_class}
    out: dict[int, tuple[Any, int]] = {}
    while at in by_place and at + way >= 1:
        out[by_place[at].part] = (tooth_class, at + way)
        at += way
    return out


def written(tooth: ToothRecord, tooth_class: Any, position: int, generation: Any) -> str:
    """Return the name of a tooth at another place of its row."""
    if position < 1:
        raise OssicleError("no tooth of the row can stand there", where="locus", mend="rename this tooth alone")
    try:
        return str(ToothName(Locus(tooth.jaw, tooth.side, tooth_class, position), generation))
    except OssicleError:
        return str(ToothName(Locus(tooth.jaw, tooth.side, tooth_class, position), "permanent"))
