"""Characters of skull and dentition as data: states, sources, and the rule by which a state is told from an account.

The packaged list is ``data/characters.toml``; users write files of their own in the same form. A character without
rules is scored by a person. ``status`` tells how far its source was checked: ``V`` read in it, ``M`` from memory.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from ossicle.anatomy.notation import shown
from ossicle.anatomy.rules import Rule, parse_rule
from ossicle.anatomy.templates import Mark
from ossicle.errors import OssicleError
from ossicle.files import text_within

__all__ = [
    "FACTS",
    "MOST_STATES",
    "Character",
    "character_of",
    "load_characters",
    "parse_characters",
    "read_characters",
]

FACTS: Final[Mapping[str, str]] = {
    "loci": "loci(jaw, class): how many loci of a class carry or carried a tooth on the side looked at",
    "tooth": "tooth(name): whether a tooth of this name (P4, dp3) stands or waits there, in either generation if no d",
    "generation": "generation(name): 'unreplaced', or 'replaced' where a deciduous and a permanent tooth are known",
    "replaced_premolars": "replaced_premolars(jaw): how many premolar loci have a deciduous tooth, while they show",
    "replaced_incisors": "replaced_incisors(jaw): how many incisor loci have a deciduous tooth, while they show",
    "length": "length(name): mesiodistal length of a whole permanent crown in place, mm",
    "width": "width(name): its width, mm",
    "height": "height(name): its crown height above the margin, mm",
    "tallest": "tallest(jaw, class): height of the tallest whole permanent crown of a class, mm",
    "gap": "gap(name, name): gap between two neighbours of one row, mm; 0 where none was told",
    "opening": "opening(term): whether such an opening was found in the palate or ear",
    "area": "area(term): area of an opening, mm2",
    "opening_length": "opening_length(term): length of an opening, mm",
    "measure": "measure(definition): a length by the id of its definition, mm",
    "angular_process": "angular_process(): 'rod', 'shelf' or 'absent'",
    "inflection": "inflection(): turn of the angular process to the middle, degrees",
    "symphysis": "symphysis(): 'open' or 'fused'",
    "mental_foramina": "mental_foramina(): how many open on the outer face of the dentary",
    "stapes": "stapes(): 'present' or 'absent'",
    "stapedial_ratio": "stapedial_ratio(): length over width of the oval window",
    "cochlear_turns": "cochlear_turns(): turns of the cochlea",
    "canal_radius": "canal_radius(name): radius of curvature of a semicircular canal, mm",
    "grown": "grown(): whether the permanent dentition is in place",
}
"""The facts that a rule may ask for, in words."""
MOST_STATES = 10
_ID = re.compile(r"[a-z][a-z0-9_]{0,60}")
_KEYS = {
    "name", "states", "source", "status", "number", "note", "ordered", "per", "applies", "needs", "when", "region",
}  # fmt: skip
_PER = ("specimen", "side")


@dataclass(frozen=True, slots=True)
class Character:
    """One character.

    Parameters
    ----------
    id
        Stable identifier.
    name, states
        What is compared, and its states from state 0 on.
    source, status, number
        A work that codes it, in this or a like form; how far that was checked; its number there ("" where not noted).
    note
        Thresholds and cautions, in words.
    ordered
        Whether a change from 0 to 2 passes through 1.
    per
        ``side`` where left and right are told apart and then joined, else ``specimen``.
    applies
        Where this is false, the character is inapplicable.
    needs
        Where this is not true, it cannot be scored (as in young animals).
    when
        A rule a state; empty where a person scores it.
    region
        Under which heading it stands.
    """

    id: str
    name: str
    states: tuple[str, ...]
    source: str
    status: Mark
    number: str = ""
    note: str = ""
    ordered: bool = False
    per: str = "specimen"
    applies: Rule | None = None
    needs: Rule | None = None
    when: tuple[Rule, ...] = ()
    region: str = "dentition"

    @property
    def computed(self) -> bool:
        """Whether a rule tells its state."""
        return bool(self.when)

    def symbols(self) -> str:
        """Return the symbols of its states: ``012``."""
        return "".join(str(n) for n in range(len(self.states)))


def parse_characters(text: str, where: object = "characters") -> dict[str, Character]:
    """Return the characters of a TOML text by id, in its order.

    Raises
    ------
    OssicleError
        With the character and field concerned.
    """
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise OssicleError(f"this is not TOML ({error})", where=where, mend="mend it there") from error
    out = {}
    for name, row in data.items():
        try:
            out[name] = _character(name, row)
        except OssicleError as error:
            raise OssicleError(error.what, where=f"{where}, [{shown(name)}]", mend=error.mend) from None
    return out


def _character(name: str, row: Any) -> Character:
    if not _ID.fullmatch(name):
        raise OssicleError("this is no identifier", mend="use small letters, digits and _")
    if not isinstance(row, dict):
        raise OssicleError("this is no table", mend=f"begin it with [{name}]")
    extra = sorted(set(row) - _KEYS)
    if extra:
        raise OssicleError(f"there is no field {extra[0]!r}", mend=f"there are {', '.join(sorted(_KEYS))}")
    for field in ("name", "source"):
        if not isinstance(row.get(field), str) or not row[field].strip():
            raise OssicleError(f"the {field} is missing", mend="every character has a name, states and a source")
    states = row.get("states")
    if not isinstance(states, list) or not 2 <= len(states) <= MOST_STATES or not all(_said(s) for s in states):
        raise OssicleError(f"states are no list of 2 to {MOST_STATES} texts", mend='write ["absent", "present"]')
    when = row.get("when", [])
    if not isinstance(when, list) or (when and len(when) != len(states)) or not all(_said(w) for w in when):
        raise OssicleError("`when` has not one rule for each state", mend="write one for each, or leave it out")
    if row.get("per", "specimen") not in _PER:
        raise OssicleError(f"per is {row['per']!r}", mend="write specimen or side")
    status = row.get("status", "M")
    if status not in ("V", "M"):
        raise OssicleError(f"status is {status!r}", mend="write V (read in the source) or M (from memory)")
    if not isinstance(row.get("ordered", False), bool):
        raise OssicleError("ordered is neither true nor false", mend="write true or false")
    texts = {field: row.get(field, "") for field in ("number", "note", "region")}
    for field, value in texts.items():
        if not isinstance(value, str):
            raise OssicleError(f"the {field} is no text", mend="write it in quotes")
    return Character(
        id=name,
        name=row["name"],
        states=tuple(states),
        source=row["source"],
        status=status,
        number=texts["number"],
        note=texts["note"],
        ordered=row.get("ordered", False),
        per=row.get("per", "specimen"),
        applies=_rule(row, "applies"),
        needs=_rule(row, "needs"),
        when=tuple(parse_rule(w, frozenset(FACTS)) for w in when),
        region=texts["region"] or "dentition",
    )


def _said(value: Any) -> bool:
    return isinstance(value, str) and bool(value.strip())


def _rule(row: Mapping[str, Any], field: str) -> Rule | None:
    if field not in row:
        return None
    if not _said(row[field]):
        raise OssicleError(f"{field} is no rule", mend="write it in quotes")
    return parse_rule(row[field], frozenset(FACTS))


@cache
def load_characters() -> Mapping[str, Character]:
    """Return the packaged characters by id."""
    text = (files("ossicle.anatomy.data") / "characters.toml").read_text(encoding="utf-8")
    return parse_characters(text, "characters.toml")


def read_characters(path: Path, known: Callable[[], Mapping[str, Character]] = load_characters) -> dict[str, Character]:
    """Return the packaged characters with those of a user's file, which may stand in for packaged ones.

    Raises
    ------
    OssicleError
        The file cannot be read or is wrong.
    """
    try:
        text = text_within(path)
    except (OSError, UnicodeDecodeError) as error:
        raise OssicleError(f"it cannot be read ({error})", where=path, mend="name a TOML file of characters") from error
    return {**known(), **parse_characters(text, path.name)}


def character_of(known: Mapping[str, Character], name: str) -> Character:
    """Return the character of an id; raises `OssicleError` where there is none, and names like ones."""
    if name in known:
        return known[name]
    close = [k for k in known if name and name.lower() in k][:3]
    raise OssicleError(
        f"no character is called {name!r}",
        mend=f"did you mean {' or '.join(close)}?" if close else "`ossicle characters` lists them",
    )
