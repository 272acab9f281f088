"""Spotters: a naming exercise of pointers on parts and loci, made from a specimen; the teacher's key is a sheet apart.

Only what the reading is sure of is asked. Answers are compared without case and punctuation; synonyms of terms count.
The page holds the answers, since it works without any network: who reads its source can find them.
"""

from __future__ import annotations

import random
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

from ossicle.account.records import View
from ossicle.account.views import teeth_evidence, whole_skull
from ossicle.account.words import UNCERTAIN_BELOW
from ossicle.anatomy import load_terms
from ossicle.compare import Compared
from ossicle.errors import OssicleError
from ossicle.reading.records import Part, Pose, ToothRecord

from .naming import names_of
from .narration import as_text, markdown_html
from .player import page, specimen_data
from .sheets import Block, Heading, Para, Table
from .stage import Presence, Stage

__all__ = ["LEVELS", "Question", "key_blocks", "plain", "questions", "spotter_page"]

Level = Literal["easy", "middling", "hard"]
LEVELS: Mapping[str, str] = {
    "easy": "bones, and the class of teeth in place",
    "middling": "bones and openings, and the locus of teeth in place",
    "hard": "openings, cavities and ossicles, and the locus of all teeth, also in their crypts",
}
_KINDS = {
    "easy": ("bone",),
    "middling": ("bone", "opening"),
    "hard": ("opening", "cavity", "ossicle"),
}


@dataclass(frozen=True)
class Question:
    """A pointer at a part: what is accepted, how the answer is told, what may be chosen from, why it is so."""

    part: int
    view: View
    said: str
    accepted: tuple[str, ...]
    choices: tuple[str, ...]
    why: str


def plain(text: str) -> str:
    """Return an answer as it is compared: no case, accents, punctuation or doubled spaces (as in the page)."""
    bare = "".join(c for c in unicodedata.normalize("NFKD", text) if not "\u0300" <= c <= "\u036f")
    return re.sub(r"[^a-z0-9]+", " ", bare.lower()).strip()


def questions(stage: Stage, level: Level, count: int, seed: int, *, chosen: bool) -> list[Question]:
    """Return questions about a specimen, drawn by ``seed``.

    Parameters
    ----------
    chosen
        Whether answers are chosen from four, or typed.

    Raises
    ------
    OssicleError
        Nothing of this kind is known well enough to be asked.
    """
    s = stage.specimen
    rng = random.Random(seed)
    known = [p for p in stage.parts.values() if _sure(p, stage.teeth.get(p.part), level)]
    if not known:
        raise OssicleError("nothing of this kind is known well enough", where=s.name, mend="take another --level")
    rng.shuffle(known)
    names = {p.part: _said(p, stage.teeth.get(p.part), level) for p in known}
    out: list[Question] = []
    asked: dict[str, int] = {}
    for part in known:
        said = names[part.part]
        # The same answer twice at most, so that it is no exercise in canines.
        if len(out) == count or asked.get(said, 0) >= 2:
            continue
        asked[said] = asked.get(said, 0) + 1
        tooth = stage.teeth.get(part.part)
        out.append(
            Question(
                part.part,
                _view(s, part, tooth),
                said,
                tuple(sorted({plain(a) for a in _accepted(part, tooth, level)})),
                tuple(_choices(part, said, stage, level, rng)) if chosen else (),
                _why(s, part),
            )
        )
    return out


def _sure(part: Part, tooth: ToothRecord | None, level: Level) -> bool:
    if part.kind == "tooth":
        if tooth is None or tooth.confidence < UNCERTAIN_BELOW:
            return False
        return level == "hard" or tooth.emergence != "in_crypt"
    return part.kind in _KINDS[level] and part.confidence >= UNCERTAIN_BELOW


def _said(part: Part, tooth: ToothRecord | None, level: Level) -> str:
    if tooth is None:
        return part.term
    if level == "easy":
        return tooth.tooth_class
    return f"{tooth.side} {tooth.jaw} {tooth.name}"


def _accepted(part: Part, tooth: ToothRecord | None, level: Level) -> set[str]:
    """What counts as right: a term with its synonyms; a tooth by class, or by its locus with or without side."""
    if tooth is None:
        term = load_terms().get(part.term)
        words = {part.term, *(() if term is None else term.synonyms)}
        return words | {f"{part.side} {w}" for w in words if part.side in ("left", "right")}
    if level == "easy":
        own = {tooth.tooth_class}
        return own | {f"{tooth.generation} {tooth.tooth_class}", f"{tooth.jaw} {tooth.tooth_class}"}
    out = {f"{a} {tooth.name}" for a in (f"{tooth.side} {tooth.jaw}", f"{tooth.jaw} {tooth.side}", tooth.jaw)}
    generation = {"deciduous": "deciduous ", "permanent": "", "unreplaced": ""}[tooth.generation]
    position = "" if tooth.tooth_class == "canine" else f" {tooth.position}"
    return out | {f"{tooth.side} {tooth.jaw} {generation}{tooth.tooth_class}{position}"}


def _choices(part: Part, said: str, stage: Stage, level: Level, rng: random.Random) -> list[str]:
    tooth = stage.teeth.get(part.part)
    if tooth is not None and level == "easy":
        return ["incisor", "canine", "premolar", "molar"]
    others: list[str]
    if tooth is not None:
        others = [
            f"{t.side} {t.jaw} {t.name}"
            for t in stage.teeth.values()
            if t.jaw == tooth.jaw and t.side == tooth.side and t.name != tooth.name
        ]
    else:
        others = [t.name for t in load_terms().values() if "tooth" not in t.name and t.name != part.term]
        near = {p.term for p in stage.parts.values() if p.kind != "tooth" and p.term != part.term}
        others = sorted(near) + [o for o in others if o not in near]
        others = others[: max(6, len(near))]
    others = sorted(set(others))
    out = [said, *rng.sample(others, min(3, len(others)))]
    rng.shuffle(out)
    return out


def _view(s: Compared, part: Part, tooth: ToothRecord | None) -> View:
    if tooth is not None:
        pose = Pose(s.to_skull, s.account.pose.confidence, 1.0, 1.0, True)
        shown = teeth_evidence(pose, [tooth]).view
        assert shown is not None
        presence: dict[int, Presence] = {
            t.part: "solid" for t in s.account.teeth if (t.jaw, t.side) == (tooth.jaw, tooth.side)
        }
        whole = max(4.5 * (shown.extent_mm or 1.0), 1.0)
        return replace(shown, presence=presence, extent_mm=whole)
    side = "right" if part.side == "right" else "left"
    name = (
        "ventral"
        if part.kind == "opening" and "foramen" in part.term and "magnum" not in part.term
        else f"lateral {side}"
    )
    if part.term == "foramen magnum":
        name = "caudal"
    view = whole_skull(name, "", [part.part])
    return view if part.kind != "bone" else replace(view, others="veiled")


def _why(s: Compared, part: Part) -> str:
    """What the account says of the part, first its own finding."""
    about = [f for f in s.account.findings if part.part in f.evidence.parts]
    about.sort(key=lambda f: len(f.evidence.parts))
    said = [f.statement for f in about[:2]]
    return "\n\n".join(as_text(x) for x in said) or as_text(f"Volume of its labels: {part.volume_mm3:.3g} mm³.")


def spotter_page(stage: Stage, asked: list[Question], title: str, note: str) -> str:
    """Return the page of a spotter."""
    steps: list[dict[str, Any]] = []
    for n, q in enumerate(asked, start=1):
        looks = stage.looks(q.view)
        steps.append(
            {
                "title": f"Question {n}",
                "html": "<p>Which part does the pointer show?</p>",
                "look": list(q.view.look),
                "up": list(q.view.up),
                "centre": None if q.view.centre_mm is None else list(q.view.centre_mm),
                "extent": q.view.extent_mm,
                "lift": 0.0,
                "shown": [
                    {
                        "specimen": 0,
                        "solid": [p for p, how in looks.items() if how == "solid"],
                        "veiled": [p for p, how in looks.items() if how == "veiled"],
                    }
                ],
                "labels": [],
                "clip": None,
                "notes": "",
                "slice": None,
                "travel": False,
                "ask": {
                    "specimen": 0,
                    "part": q.part,
                    "answers": list(q.accepted),
                    "choices": list(q.choices),
                    "said": q.said,
                    "html": markdown_html(q.why),
                },
            }
        )
    return page(
        {
            "slices": [],
            "kind": "spotter",
            "title": title,
            "note": note,
            "specimens": [specimen_data(stage)],
            "steps": steps,
        }
    )


def key_blocks(s: Compared, asked: list[Question], title: str) -> list[Block]:
    """Return the teacher's key: what is right, what else is accepted."""
    names = names_of(s.account)
    rows = tuple(
        (str(n), names[q.part], q.said, ", ".join(a for a in q.accepted if a != plain(q.said)))
        for n, q in enumerate(asked, start=1)
    )
    return [
        Heading(f"Key: {title}", 1),
        Para("Case, accents and punctuation do not count.", small=True),
        Table(("question", "part", "answer", "also accepted"), rows),
    ]
