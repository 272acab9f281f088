"""What a person can say: the kinds of decision, as a request before it is anchored.

Where a tooth or part is meant (``at``), give what the account shows: the end of a tooth's finding id
(``upper-left/dP3``), a part number of the reading now shown, or a point (x, y, z) in scan mm. It is turned into an
anchor (:mod:`ossicle.collection.anchors`) when the decision is kept; part numbers are never kept.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import MISSING, dataclass, fields
from typing import Any, ClassVar, Literal, TypeAlias, get_args

from ossicle.anatomy import ToothName
from ossicle.anatomy.notation import shown
from ossicle.errors import OssicleError
from ossicle.reading.records import Generation, Side, Vector

__all__ = [
    "KINDS",
    "Add",
    "Agree",
    "Amend",
    "Cut",
    "Discard",
    "Dispute",
    "Join",
    "Kind",
    "PlaceLandmark",
    "Redo",
    "Rename",
    "Request",
    "Score",
    "SetGeneration",
    "SetMidplane",
    "SetSide",
    "Target",
    "Undo",
    "request",
]

Kind = Literal[
    "agree", "amend", "dispute", "rename", "generation", "join", "cut", "discard", "add", "landmark", "side",
    "midplane", "score", "undo", "redo",
]  # fmt: skip
KINDS: tuple[Kind, ...] = get_args(Kind)
Target: TypeAlias = str | int | Vector


@dataclass(frozen=True)
class Agree:
    """The finding is right, as it stands now."""

    finding: str
    kind: ClassVar[Kind] = "agree"


@dataclass(frozen=True)
class Amend:
    """The finding should have another value; ``statement`` says it in a sentence, where given."""

    finding: str
    value: Any
    statement: str | None = None
    kind: ClassVar[Kind] = "amend"


@dataclass(frozen=True)
class Dispute:
    """The finding is doubted."""

    finding: str
    kind: ClassVar[Kind] = "dispute"


@dataclass(frozen=True)
class Rename:
    """The tooth stands at another locus: ``P3``, ``dP3``, in any common spelling."""

    at: Target
    name: str
    kind: ClassVar[Kind] = "rename"


@dataclass(frozen=True)
class SetGeneration:
    """The tooth is deciduous, permanent or unreplaced."""

    at: Target
    generation: Generation
    kind: ClassVar[Kind] = "generation"


@dataclass(frozen=True)
class Join:
    """These structures are one tooth."""

    at: tuple[Target, ...]
    kind: ClassVar[Kind] = "join"


@dataclass(frozen=True)
class Cut:
    """The structure is several teeth: one for each point of ``seeds``, or one on each side of a drawn stroke.

    ``stroke`` is a line of two points or more across the structure, ``view`` the direction in which it was looked at
    when drawn (scan axes); the cut runs through both.
    """

    at: Target
    seeds: tuple[Vector, ...] = ()
    stroke: tuple[Vector, ...] = ()
    view: Vector | None = None
    kind: ClassVar[Kind] = "cut"


@dataclass(frozen=True)
class Discard:
    """This is no tooth."""

    at: Target
    kind: ClassVar[Kind] = "discard"


@dataclass(frozen=True)
class Add:
    """A tooth stands at this point (scan mm) that the reading missed."""

    point: Vector
    kind: ClassVar[Kind] = "add"


@dataclass(frozen=True)
class PlaceLandmark:
    """The landmark lies at this point (scan mm); said again, it is moved."""

    name: str
    point: Vector
    kind: ClassVar[Kind] = "landmark"


@dataclass(frozen=True)
class SetSide:
    """The tooth is of the animal's left or right."""

    at: Target
    side: Side
    kind: ClassVar[Kind] = "side"


@dataclass(frozen=True)
class SetMidplane:
    """The midplane runs through three points or more (scan mm); ``up`` and ``front`` are directions in scan axes."""

    points: tuple[Vector, ...]
    up: Vector | None = None
    front: Vector | None = None
    kind: ClassVar[Kind] = "midplane"


@dataclass(frozen=True)
class Score:
    """The specimen shows this state of a character: ``1``, ``(01)`` for both, ``{01}`` for either, ``?`` or ``-``.

    ``computed`` is what the rule said when the person looked, None where no rule was asked.
    """

    character: str
    state: str
    computed: str | None = None
    kind: ClassVar[Kind] = "score"


@dataclass(frozen=True)
class Undo:
    """Take back the decision of this number; None takes back the person's own last one in force."""

    number: int | None = None
    kind: ClassVar[Kind] = "undo"


@dataclass(frozen=True)
class Redo:
    """Let an undone decision hold again; None takes the one that the person undid last."""

    number: int | None = None
    kind: ClassVar[Kind] = "redo"


Request: TypeAlias = (
    Agree | Amend | Dispute | Rename | SetGeneration | Join | Cut | Discard | Add | PlaceLandmark | SetSide
    | SetMidplane | Score | Undo | Redo
)  # fmt: skip
_CLASSES: Mapping[str, type[Any]] = {cls.kind: cls for cls in get_args(Request)}
_CHOICES = {"generation": get_args(Generation), "side": get_args(Side)}


def request(kind: str, **said: Any) -> Request:
    """Make a request from plain values, as they come from a command or over the wire.

    Raises
    ------
    OssicleError
        The kind is not known, or a value is missing, unknown or not of its type.
    """
    if kind not in _CLASSES:
        raise OssicleError(f"no decision is called {kind!r}", mend=f"say one of {', '.join(KINDS)}")
    cls = _CLASSES[kind]
    known = {f.name: f for f in fields(cls)}
    given = {name: value for name, value in said.items() if value is not None and value != ()}
    extra = sorted(set(given) - set(known))
    if extra:
        raise OssicleError(f"{kind} takes no {extra[0]}", mend=f"it takes {', '.join(known) or 'nothing'}")
    needed = [n for n, f in known.items() if f.default is MISSING]
    lacking = next((n for n in needed if n not in given), None)
    if lacking is not None:
        raise OssicleError(f"{kind} needs {_WHAT.get(lacking, lacking)}", mend="give it and say it again")
    made: Request = cls(**{name: _checked(kind, name, value) for name, value in given.items()})
    _check_whole(made)
    return made


_WHAT = {
    "at": "the structure that it is about",
    "character": "the id of a character",
    "state": "a state",
    "finding": "the id of a finding",
    "name": "a name",
    "point": "a point",
    "points": "points",
    "value": "a value",
}


def _checked(kind: str, name: str, value: Any) -> Any:
    if name in _CHOICES and value not in _CHOICES[name]:
        raise OssicleError(f"no {name} is called {shown(str(value))}", mend=f"say {' or '.join(_CHOICES[name])}")
    if kind == "rename" and name == "name":
        return str(ToothName.parse(str(value)))
    if name in ("point", "up", "front", "view"):
        return vector(value, name)
    if name in ("points", "seeds", "stroke"):
        return tuple(vector(v, name) for v in _several(value, name))
    if name == "at":
        return tuple(_target(v) for v in _several(value, "at")) if kind == "join" else _target(value)
    if name == "number" and (not isinstance(value, int) or isinstance(value, bool) or value < 1):
        raise OssicleError(f"{shown(str(value))} is no number of a decision", mend="the history lists them")
    if name in ("finding", "statement", "name", "character", "state", "computed"):
        text = " ".join(str(value).split())
        if not text:
            raise OssicleError(f"the {name} is empty", mend="give it and say it again")
        return text
    if name == "value":
        try:
            json.dumps(value, allow_nan=False)
        except (TypeError, ValueError, RecursionError) as error:
            raise OssicleError(
                f"{shown(str(value))} is no value that can be kept", mend="give text, finite numbers, or lists of these"
            ) from error
    return value


def _several(value: Any, name: str) -> Sequence[Any]:
    if not isinstance(value, list | tuple):
        raise OssicleError(f"{shown(str(value))} is no list", where=name, mend="give several, as a list")
    return value


def _target(value: Any) -> Target:
    if isinstance(value, str | int) and not isinstance(value, bool):
        return value
    return vector(value, "at")


def vector(value: Any, name: str) -> Vector:
    """Return three finite numbers, or raise `OssicleError`."""
    try:
        x, y, z = (float(v) for v in value)
    except (TypeError, ValueError, OverflowError):
        x = y = z = float("nan")
    if not all(abs(v) < 1e9 for v in (x, y, z)):
        raise OssicleError(f"{shown(str(value))} is no {name} of three numbers", mend="write x,y,z in mm")
    return (x, y, z)


def _check_whole(made: Request) -> None:
    if isinstance(made, Join) and len(set(made.at)) < 2:
        raise OssicleError("join needs two structures or more", mend="name each of them")
    if isinstance(made, Cut):
        if bool(made.seeds) == bool(made.stroke):
            raise OssicleError("cut needs either seeds or a stroke", mend="give one of the two")
        if made.seeds and len(set(made.seeds)) < 2:
            raise OssicleError("cut needs two seeds or more", mend="give one for each tooth")
        if made.stroke and (len(set(made.stroke)) < 2 or made.view is None):
            raise OssicleError("a stroke needs two points or more and the direction of view", mend="give both")
    if isinstance(made, SetMidplane) and len(set(made.points)) < 3:
        raise OssicleError("a midplane needs three points or more", mend="place one more")
