"""Specimens in the catalogue: listing, searching, adding, changing, and whether they may leave the collection."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from ossicle.errors import OssicleError

from .catalogue import Catalogue, Conflict
from .locality import HeldLocality, shown_terms
from .records import DataChange, Page, Specimen
from .tables import MOST_ID, Change, DecisionRow, Locality, ReadingRow, SpecimenRow, SpecimenScan, row_at
from .terms import SpecimenData, place_of, specimen_data

__all__ = ["add", "change", "changes", "check_export", "exact_terms", "find_row", "get", "listed", "now"]

MOST_ON_A_PAGE = 1000


def now() -> str:
    """Return the time now, UTC, ISO 8601 to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def listed(catalogue: Catalogue, words: str = "", page: int = 1, per_page: int = 50) -> Page[Specimen]:
    """Return a page of specimens by catalogue number; each of ``words`` must occur in their data.

    Raises
    ------
    OssicleError
        The page or its size cannot be.
    """
    if not 1 <= page <= MOST_ID or not 1 <= per_page <= MOST_ON_A_PAGE:
        raise OssicleError(
            f"page {page} of {per_page} cannot be shown", mend=f"count from 1, at most {MOST_ON_A_PAGE} on a page"
        )
    query = sa.select(SpecimenRow)
    for word in words.lower().split():
        escaped = word.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
        query = query.where(SpecimenRow.words.like(f"%{escaped}%", escape="\\"))
    with catalogue.reading() as session:
        total = session.scalar(sa.select(sa.func.count()).select_from(query.subquery())) or 0
        before = (page - 1) * per_page
        rows: Sequence[SpecimenRow] = ()
        if before < total:
            ordered = query.order_by(SpecimenRow.catalog_number).limit(per_page).offset(before)
            rows = session.scalars(ordered).all()
        items = _records(session, rows) if rows else []
    return Page(tuple(items), page, max(1, math.ceil(total / per_page)), total)


def _records(session: Session, rows: Sequence[SpecimenRow]) -> list[Specimen]:
    ids = [row.id for row in rows]
    counts = []
    for column in (SpecimenScan.specimen_id, ReadingRow.specimen_id, DecisionRow.specimen_id):
        query = sa.select(column, sa.func.count()).where(column.in_(ids)).group_by(column)
        counts.append({int(key): int(count) for key, count in session.execute(query)})
    places = {
        p.specimen_id: _held(p) for p in session.scalars(sa.select(Locality).where(Locality.specimen_id.in_(ids)))
    }
    return [
        Specimen(
            id=row.id,
            catalog_number=row.catalog_number,
            scientific_name=row.scientific_name,
            sex=row.sex,
            life_stage=row.life_stage,
            terms={**row.terms, **shown_terms(places.get(row.id))},
            human_remains=row.human_remains,
            version=row.version,
            scans=counts[0].get(row.id, 0),
            readings=counts[1].get(row.id, 0),
            decisions=counts[2].get(row.id, 0),
        )
        for row in rows
    ]


def _held(row: Locality) -> HeldLocality:
    return HeldLocality(
        row.decimal_latitude,
        row.decimal_longitude,
        row.uncertainty_m,
        row.locality,
        row.category,
        row.reason,
        row.review_date,
    )


def find_row(session: Session, handle: str | int) -> SpecimenRow:
    """Return the row of a specimen by its catalogue number, or by ``#`` and its number in the collection.

    Raises
    ------
    OssicleError
        There is none.
    """
    row: SpecimenRow | None
    if isinstance(handle, int):
        row = row_at(session, SpecimenRow, handle)
    else:
        row = session.scalar(sa.select(SpecimenRow).where(SpecimenRow.catalog_number == handle))
        if row is None and handle.startswith("#") and handle[1:].isdecimal() and len(handle) < 12:
            row = row_at(session, SpecimenRow, int(handle[1:]))
        if row is None:
            folded = sa.func.lower(SpecimenRow.catalog_number) == handle.lower()
            row = session.scalar(sa.select(SpecimenRow).where(folded).limit(1))
    if row is None:
        raise OssicleError(
            f"no specimen has the catalogue number {handle!r}",
            mend=_alike(session, str(handle)) or "`ossicle list COLLECTION` names those there are",
        )
    return row


def _alike(session: Session, handle: str) -> str:
    """Return a question after the specimen whose number differs in signs and case alone, empty where there is none."""
    wanted = "".join(c for c in handle.casefold() if c.isalnum())
    bare = sa.func.lower(SpecimenRow.catalog_number)
    for sign in " -_./:":
        bare = sa.func.replace(bare, sign, "")
    found = session.scalars(sa.select(SpecimenRow.catalog_number).where(bare == wanted).limit(2)).all()
    return f"did you mean {found[0]!r}?" if wanted and len(found) == 1 else ""


def get(catalogue: Catalogue, handle: str | int) -> Specimen:
    """Return a specimen (see `find_row`)."""
    with catalogue.reading() as session:
        return _records(session, [find_row(session, handle)])[0]


def exact_terms(catalogue: Catalogue, handle: str | int) -> dict[str, Any]:
    """Return all terms of a specimen as held, the exact locality among them: for the keeper's eyes."""
    with catalogue.reading() as session:
        row = find_row(session, handle)
        held = session.get(Locality, row.id)
        exact = {} if held is None else shown_terms(HeldLocality(*_exact(held)))
        own: dict[str, Any] = {
            "humanRemains": row.human_remains,
            "remainsConsent": row.consent,
            "remainsProvenance": row.remains_provenance,
        }
        if held is not None:
            own |= {
                "sensitivityCategory": held.category,
                "sensitivityReason": held.reason,
                "sensitivityReviewDate": held.review_date,
            }
        return {**row.terms, **exact, **{k: v for k, v in own.items() if v}}


def _exact(row: Locality) -> tuple[Any, ...]:
    return row.decimal_latitude, row.decimal_longitude, row.uncertainty_m, row.locality


def add(session: Session, data: SpecimenData, who: str) -> SpecimenRow:
    """Add a specimen.

    Raises
    ------
    OssicleError
        It has no catalogue number, or one that is taken.
    """
    number = data.columns.get("catalog_number")
    if not number:
        raise OssicleError("the specimen has no catalogue number", mend="give catalogNumber")
    stamp = now()
    row = SpecimenRow(
        **{"scientific_name": "", "sex": "", "life_stage": "", "consent": "", "remains_provenance": "", **data.columns},
        terms=dict(data.terms),
        created=stamp,
        changed=stamp,
        words="",
    )
    held = place_of(data.place, None) if data.place else None
    row.words = _words(row, held)
    session.add(row)
    try:
        session.flush()
    except IntegrityError as error:
        raise OssicleError(f"the catalogue number {number!r} is taken", mend="give another") from error
    _keep_place(session, row, held)
    session.flush()
    return row


def _keep_place(session: Session, row: SpecimenRow, held: HeldLocality | None) -> None:
    if held is None:
        return
    kept = session.get(Locality, row.id)
    if kept is None:
        kept = Locality(specimen_id=row.id)
        session.add(kept)
    kept.decimal_latitude, kept.decimal_longitude = held.latitude, held.longitude
    kept.uncertainty_m, kept.locality = held.uncertainty_m, held.words
    kept.category, kept.reason, kept.review_date = held.category, held.reason, held.review_date


def _words(row: SpecimenRow, place: HeldLocality | None) -> str:
    """Return what a search looks through; the words of a sensitive locality are not among it."""
    words = [row.catalog_number, row.scientific_name, row.sex, row.life_stage, *map(str, row.terms.values())]
    if place is not None and place.category == 0:
        words.append(place.words)
    return " ".join(w for w in words if w).lower()


def change(catalogue: Catalogue, handle: str | int, said: Mapping[str, str], who: str, version: int | None) -> Specimen:
    """Change catalogue data; what was before is kept (`changes`).

    Parameters
    ----------
    said
        Values by term; an empty text takes a value away.
    version
        That of the `Specimen` that was looked at; None changes whatever is there now.

    Raises
    ------
    Conflict
        It has been changed since.
    OssicleError
        A value cannot be.
    """
    data = specimen_data(said)
    with catalogue.writing() as session:
        row = find_row(session, handle)
        session.refresh(row, with_for_update=not catalogue.is_sqlite)
        if version is not None and row.version != version:
            last = session.scalar(
                sa.select(Change).where(Change.specimen_id == row.id).order_by(Change.id.desc()).limit(1)
            )
            by = "" if last is None else f" by {last.who} ({', '.join(last.fields)})"
            raise Conflict(
                f"{row.catalog_number} was changed{by} since you looked (version {version}, now {row.version})",
                mend="look at it again and change it anew",
            )
        before = _flat(session, row)
        kept = session.get(Locality, row.id)
        held = None if kept is None else _held(kept)
        if data.place:
            held = place_of(data.place, held)
            _keep_place(session, row, held)
        with session.no_autoflush:
            for name, value in data.columns.items():
                setattr(row, name, value)
            row.terms = {k: v for k, v in {**row.terms, **data.terms}.items() if v != ""}
            row.words = _words(row, held)
            row.changed = now()
        try:
            session.flush()
        except IntegrityError as error:
            raise OssicleError(f"the catalogue number {row.catalog_number!r} is taken", mend="give another") from error
        after = _flat(session, row)
        fields = {k: [before.get(k), after.get(k)] for k in sorted({*before, *after}) if before.get(k) != after.get(k)}
        session.add(Change(specimen_id=row.id, version=row.version, who=who, at=row.changed, fields=fields))
        session.flush()
        return _records(session, [row])[0]


def _flat(session: Session, row: SpecimenRow) -> dict[str, Any]:
    held = session.get(Locality, row.id)
    own = ("catalog_number", "scientific_name", "sex", "life_stage", "human_remains", "consent", "remains_provenance")
    flat = {name: getattr(row, name) for name in own} | dict(row.terms)
    if held is not None:
        flat |= {f"locality.{name}": value for name, value in vars(_held(held)).items()}
    return flat


def changes(catalogue: Catalogue, handle: str | int, *, exact: bool = False) -> list[DataChange]:
    """Return the changes of a specimen's catalogue data, oldest first; ``exact`` for the keeper's eyes."""
    with catalogue.reading() as session:
        row = find_row(session, handle)
        place = session.get(Locality, row.id)
        kept = session.scalars(sa.select(Change).where(Change.specimen_id == row.id).order_by(Change.id)).all()
        # A place that was sensitive once, or is now, is not told by its history.
        secret = (place is not None and place.category > 0) or any(
            any(c.fields.get("locality.category") or ()) for c in kept
        )
        return [
            DataChange(
                c.version,
                c.who,
                c.at,
                {
                    name: (_WITHHELD, _WITHHELD) if secret and not exact and name in _SECRET else (old, new)
                    for name, (old, new) in c.fields.items()
                },
            )
            for c in kept
        ]


_WITHHELD = "withheld"
_SECRET = {"locality.latitude", "locality.longitude", "locality.uncertainty_m", "locality.words"}


def allow_export(catalogue: Catalogue, handle: str | int, allowed: bool, who: str) -> None:
    """Say whether human remains may leave the collection; refused until consent and provenance are filled in."""
    with catalogue.writing() as session:
        row = find_row(session, handle)
        if allowed:
            _needs_papers(row)
        before, row.export_allowed, row.changed = row.export_allowed, allowed, now()
        session.flush()
        fields = {"export_allowed": [before, allowed]}
        session.add(Change(specimen_id=row.id, version=row.version, who=who, at=row.changed, fields=fields))


def _needs_papers(row: SpecimenRow) -> None:
    lacking = [
        name
        for name, value in (("remainsConsent", row.consent), ("remainsProvenance", row.remains_provenance))
        if not value.strip()
    ]
    if lacking:
        raise OssicleError(
            f"{row.catalog_number} is of human remains and lacks {' and '.join(lacking)}, so it is not exported",
            mend="fill in what your institution's policy asks for",
        )


def check_export(catalogue: Catalogue, handle: str | int) -> None:
    """Raise `OssicleError` where a specimen may not leave the collection: human remains, off by default."""
    with catalogue.reading() as session:
        row = find_row(session, handle)
        if not row.human_remains:
            return
        _needs_papers(row)
        if not row.export_allowed:
            raise OssicleError(
                f"{row.catalog_number} is of human remains, whose export is off by default",
                mend="where your institution allows it, say so with `ossicle describe SPECIMEN --allow-export`",
            )
