"""The evidence of a cell: which parts show it, and where to stand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ossicle.account import Account, Evidence
from ossicle.account.records import Presence
from ossicle.account.views import teeth_evidence
from ossicle.anatomy.characters import Character
from ossicle.reading.records import Pose

from .records import Cell

__all__ = ["evidence_of"]


def evidence_of(account: Account, character: Character, cell: Cell) -> Evidence:
    """Return what shows the state of a character in an account.

    The view is that of the first finding used that has one; where teeth were looked at, it shows these teeth. No view
    where the state rests on nothing that can be shown, as where a person alone scores the character.
    """
    findings = [f for f in account.findings if f.id in set(cell.findings)]
    parts = tuple(dict.fromkeys([*cell.parts, *(p for f in findings for p in f.evidence.parts)]))
    teeth = [t for t in account.teeth if t.part in set(cell.parts)]
    if teeth:
        pose = account.pose
        standing = Pose(
            np.asarray(pose.scan_to_skull, float), pose.confidence, pose.confidence, pose.confidence, pose.found,
            pose.questions,
        )  # fmt: skip
        found = teeth_evidence(standing, teeth, caption=f"{character.name}, bone veiled.")
        return replace(found, parts=parts)
    view = next((f.evidence.view for f in findings if f.evidence.view is not None), None)
    if view is None:
        return Evidence(parts)
    shown: dict[int, Presence] = {**view.presence, **dict.fromkeys(parts, "solid")}
    return Evidence(parts, replace(view, caption=f"{character.name}.", presence=shown))
