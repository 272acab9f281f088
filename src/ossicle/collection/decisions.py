"""Decisions in the catalogue: reading them, and adding one. None is ever altered."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import sqlalchemy as sa
from sqlalchemy.orm import Session

from .anchors import Anchor
from .catalogue import Catalogue, Conflict
from .files import plain
from .history import FIRST, Decision, digest_of, words_of
from .specimens import find_row
from .tables import DecisionRow, SpecimenRow

__all__ = ["append", "append_all", "broken_at", "load_decisions", "row_of"]


def load_decisions(session: Session, specimen_id: int, *, after: int = 0) -> list[Decision]:
    """Return the decisions of a specimen, in order; with ``after`` only those of a higher number."""
    rows = session.execute(
        sa.select(*DecisionRow.__table__.columns)  # rows, not objects: a specimen may have hundreds
        .where(DecisionRow.specimen_id == specimen_id, DecisionRow.number > after)
        .order_by(DecisionRow.number)
    )
    return [
        Decision(
            number=row.number,
            kind=row.kind,
            who=row.who,
            at=row.at,
            why=row.why,
            scan=row.scan_key,
            reading=row.reading_number,
            anchors=tuple(Anchor.from_json(a) for a in row.anchors),
            said=row.said,
            target=row.target,
            digest=row.digest,
        )
        for row in rows
    ]


def append(
    catalogue: Catalogue,
    handle: str | int,
    make: Callable[[Callable[[], Sequence[Decision]]], Decision],
    expected: int | None = None,
) -> Decision:
    """Add a decision, whole or not at all; two processes never get the same number.

    Parameters
    ----------
    make
        Gives the decision, but for number and digest; it is handed a function that returns those made so far.
    expected
        The number of the last decision that the person had seen (0: none). None adds it whatever was said since.

    Raises
    ------
    Conflict
        Others have decided since; nothing was written.
    """
    return append_all(catalogue, handle, lambda earlier: [make(earlier)], expected)[0]


def append_all(
    catalogue: Catalogue,
    handle: str | int,
    make: Callable[[Callable[[], Sequence[Decision]]], Sequence[Decision]],
    expected: int | None = None,
) -> list[Decision]:
    """Add several decisions, all of them or none; otherwise as `append`."""
    with catalogue.writing() as session:
        specimen = find_row(session, handle)
        if not catalogue.is_sqlite:  # SQLite has one writer at a time anyway
            session.execute(sa.select(SpecimenRow.id).where(SpecimenRow.id == specimen.id).with_for_update())
        newest = session.execute(
            sa.select(DecisionRow.number, DecisionRow.digest)
            .where(DecisionRow.specimen_id == specimen.id)
            .order_by(DecisionRow.number.desc())
            .limit(1)
        ).first()
        last, before = (0, FIRST) if newest is None else (newest.number, newest.digest)
        if expected is not None and last != expected:
            told = load_decisions(session, specimen.id, after=expected)
            since = "; ".join(f"{d.number} by {d.who}: {words_of(d)}" for d in told[:5])
            count = "one decision was" if len(told) == 1 else f"{len(told)} decisions were"
            raise Conflict(
                f"{count} made since you looked ({since})",
                where=specimen.catalog_number,
                mend="look at it again and decide anew",
            )
        added: list[Decision] = []
        for number, made in enumerate(make(lambda: load_decisions(session, specimen.id)), start=last + 1):
            decision = replace(made, number=number, said=plain(made.said))
            decision = replace(decision, digest=digest_of(decision, before))
            before = decision.digest
            session.add(row_of(decision, specimen.id))
            added.append(decision)
        session.flush()
        return added


def row_of(decision: Decision, specimen_id: int) -> DecisionRow:
    """Return the row that keeps a decision, numbered and with its digest, of a specimen."""
    return DecisionRow(
        specimen_id=specimen_id,
        number=decision.number,
        kind=decision.kind,
        who=decision.who,
        at=decision.at,
        why=decision.why,
        scan_key=decision.scan,
        reading_number=decision.reading,
        anchors=[a.as_json() for a in decision.anchors],
        said=dict(decision.said),
        target=decision.target,
        digest=decision.digest,
    )


def broken_at(decisions: Sequence[Decision]) -> int | None:
    """Return the number of the first decision that is not as it was kept, or that lacks the one before it."""
    before = FIRST
    for place, decision in enumerate(decisions, start=1):
        if decision.number != place or decision.digest != digest_of(decision, before):
            return decision.number
        before = decision.digest
    return None
