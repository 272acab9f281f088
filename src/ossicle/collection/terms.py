"""Catalogue data of a specimen: which Darwin Core terms are taken, and what each may hold.

Names after Darwin Core (TDWG), https://dwc.tdwg.org/terms/. Besides those, six fields are ours, for what Darwin Core
has no term for: ``humanRemains``, ``remainsConsent``, ``remainsProvenance``, ``sensitivityCategory``,
``sensitivityReason``, ``sensitivityReviewDate``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from ossicle.errors import OssicleError

from .locality import HeldLocality

__all__ = ["DARWIN_CORE", "OWN", "TERMS", "SpecimenData", "specimen_data", "term_named"]

DARWIN_CORE = (
    "catalogNumber", "scientificName", "sex", "lifeStage", "institutionCode", "collectionCode", "materialEntityID",
    "otherCatalogNumbers", "recordNumber", "recordedBy", "preparations", "disposition", "basisOfRecord", "typeStatus",
    "identifiedBy", "dateIdentified", "identificationRemarks", "identificationQualifier", "scientificNameAuthorship",
    "vernacularName", "kingdom", "phylum", "class", "order", "family", "genus", "specificEpithet",
    "infraspecificEpithet", "taxonRank", "taxonRemarks", "eventDate", "eventRemarks", "continent", "country",
    "countryCode", "stateProvince", "county", "municipality", "islandGroup", "island", "waterBody", "higherGeography",
    "locality", "decimalLatitude", "decimalLongitude", "geodeticDatum", "coordinateUncertaintyInMeters",
    "minimumElevationInMeters", "maximumElevationInMeters", "habitat", "reproductiveCondition", "occurrenceRemarks",
    "materialEntityRemarks", "license", "rightsHolder", "accessRights", "bibliographicCitation", "references",
    "associatedReferences", "earliestAgeOrLowestStage", "latestAgeOrHighestStage", "formation",
)  # fmt: skip
OWN = (
    "humanRemains", "remainsConsent", "remainsProvenance", "sensitivityCategory", "sensitivityReason",
    "sensitivityReviewDate",
)  # fmt: skip
TERMS = DARWIN_CORE + OWN
_BY_FOLDED = {re.sub(r"[^a-z]", "", term.lower()): term for term in TERMS}
_NUMBERS = {"decimalLatitude", "decimalLongitude", "coordinateUncertaintyInMeters"}
_PLACE = _NUMBERS | {"locality", "sensitivityCategory", "sensitivityReason", "sensitivityReviewDate"}
_COLUMNS = {
    "catalogNumber": "catalog_number",
    "scientificName": "scientific_name",
    "sex": "sex",
    "lifeStage": "life_stage",
    "humanRemains": "human_remains",
    "remainsConsent": "consent",
    "remainsProvenance": "remains_provenance",
}
_LONGEST = 4000


@dataclass(frozen=True)
class SpecimenData:
    """Checked catalogue data: columns of the table, further terms, and the locality as held (None: not given)."""

    columns: Mapping[str, Any] = field(default_factory=dict)
    terms: Mapping[str, str] = field(default_factory=dict)
    place: Mapping[str, Any] = field(default_factory=dict)


def term_named(name: str) -> str | None:
    """Return the term that a column's heading means, whatever its case, blanks and prefix; None where none."""
    bare = name.strip().removeprefix("dwc:").removeprefix("dcterms:")
    return _BY_FOLDED.get(re.sub(r"[^a-z]", "", bare.lower()))


def specimen_data(said: Mapping[str, str]) -> SpecimenData:
    """Check catalogue data, given by term; an empty text takes a value away.

    Raises
    ------
    OssicleError
        A term is not known, or a value cannot be; ``where`` is the term.
    """
    columns: dict[str, Any] = {}
    terms: dict[str, str] = {}
    place: dict[str, Any] = {}
    for name, raw in said.items():
        term = term_named(name)
        if term is None:
            raise OssicleError(
                "this is no term that is taken", where=name, mend="use Darwin Core terms such as scientificName, sex"
            )
        value: Any = " ".join(str(raw).split())
        try:
            checked = _checked(term, value)
        except OssicleError as error:
            raise OssicleError(error.what, where=term, mend=error.mend) from None
        if term in _PLACE:
            place[term] = checked
        elif term in _COLUMNS:
            columns[_COLUMNS[term]] = checked
        else:
            terms[term] = checked
    return SpecimenData(columns, terms, place)


def place_of(said: Mapping[str, Any], before: HeldLocality | None) -> HeldLocality:
    """Return the locality as held after a change; raises `OssicleError` where it cannot be."""
    old = before or HeldLocality()
    return HeldLocality(
        latitude=said.get("decimalLatitude", old.latitude),
        longitude=said.get("decimalLongitude", old.longitude),
        uncertainty_m=said.get("coordinateUncertaintyInMeters", old.uncertainty_m),
        words=said.get("locality", old.words),
        category=said.get("sensitivityCategory", old.category),
        reason=said.get("sensitivityReason", old.reason),
        review_date=said.get("sensitivityReviewDate", old.review_date),
    ).checked()


def _checked(term: str, value: str) -> Any:
    if len(value) > _LONGEST:
        raise OssicleError(f"this is longer than {_LONGEST} characters", mend="shorten it")
    if term == "catalogNumber":
        if not value or len(value) > 200:
            raise OssicleError("the catalogue number is empty or too long", mend="give 1 to 200 characters")
        return value
    if term in _NUMBERS:
        return None if value == "" else _number(value)
    if term == "sensitivityCategory":
        if value not in ("", "0", "1", "2", "3", "4"):
            raise OssicleError(f"{value!r} is no category of sensitivity", mend="give 0 to 4 (Chapman 2020)")
        return int(value or 0)
    if term == "sensitivityReviewDate" and value:
        try:
            date.fromisoformat(value)
        except ValueError:
            raise OssicleError(f"{value!r} is no date", mend="write it as 2031-05-01") from None
    if term == "humanRemains":
        if value.lower() not in ("", "true", "yes", "1", "false", "no", "0"):
            raise OssicleError(f"{value!r} is neither yes nor no", mend="write yes or no")
        return value.lower() in ("true", "yes", "1")
    return value


def _number(value: str) -> float:
    try:
        number = float(value)
    except ValueError:
        number = float("nan")
    if not abs(number) < 1e9:
        raise OssicleError(f"{value!r} is no number", mend="write it with a decimal point")
    return number
