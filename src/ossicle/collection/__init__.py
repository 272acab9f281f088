"""The collection: catalogue, decisions, provenance. `Collection` is the way in."""

from __future__ import annotations

from ossicle.anatomy.repeats import technical_error

from .agreement import cohens_kappa
from .anchors import Anchor, Structure
from .catalogue import Conflict
from .changes import Changed, Changes
from .check import Fault, Report
from .collection import Collection
from .history import Decision, hints_of, in_force, words_of
from .holdings import person
from .intake import Taken
from .kinds import (
    KINDS,
    Add,
    Agree,
    Amend,
    Cut,
    Discard,
    Dispute,
    Join,
    PlaceLandmark,
    Redo,
    Rename,
    Request,
    Score,
    SetGeneration,
    SetMidplane,
    SetSide,
    Undo,
    request,
)
from .opinions import Agreement, Opinion, Opinions
from .readings import KeptReading
from .records import AttachmentInfo, DataChange, Job, Page, ReadingInfo, ScanInfo, Specimen
from .replay import Fate, Replayed, Seen, replay
from .table import box_from, read_table

__all__ = [
    "KINDS",
    "Add",
    "Agree",
    "Agreement",
    "Amend",
    "Anchor",
    "AttachmentInfo",
    "Changed",
    "Changes",
    "Collection",
    "Conflict",
    "Cut",
    "DataChange",
    "Decision",
    "Discard",
    "Dispute",
    "Fate",
    "Fault",
    "Job",
    "Join",
    "KeptReading",
    "Opinion",
    "Opinions",
    "Page",
    "PlaceLandmark",
    "ReadingInfo",
    "Redo",
    "Rename",
    "Replayed",
    "Report",
    "Request",
    "ScanInfo",
    "Score",
    "Seen",
    "SetGeneration",
    "SetMidplane",
    "SetSide",
    "Specimen",
    "Structure",
    "Taken",
    "Undo",
    "box_from",
    "cohens_kappa",
    "hints_of",
    "in_force",
    "person",
    "read_table",
    "replay",
    "request",
    "technical_error",
    "words_of",
]
