"""Localities of sensitive species: what is held, and what may be shown of it.

Categories and generalisation after Chapman 2020, "Current Best Practices for Generalizing Sensitive Species Occurrence
Data" (GBIF): category 1 is withheld, 2 shown to 0.1 degree, 3 to 0.01, 4 to 0.001; 0 is not sensitive. Coordinates are
rounded, never randomised; both precisions, the reason and the date of review are told. Where the locality is sensitive,
its description in words is withheld as well.

The uncertainty of a rounded place is the diagonal of its cell (Chapman & Wieczorek 2020, "Georeferencing Best
Practices", uncertainty due to coordinate precision; WGS 84), and the uncertainty that is held is added.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Any

from ossicle.errors import OssicleError

__all__ = ["CATEGORIES", "HeldLocality", "held_precision", "precision_uncertainty_m", "shown_terms"]

CATEGORIES: dict[int, float | None] = {0: 0.0, 1: None, 2: 0.1, 3: 0.01, 4: 0.001}
"""Degrees to which each category is shown; None is withheld, 0 is as held."""
_A, _F = 6378137.0, 1 / 298.257223563  # WGS 84


@dataclass(frozen=True)
class HeldLocality:
    """A locality as held: degrees, metres, words, and how sensitive it is."""

    latitude: float | None = None
    longitude: float | None = None
    uncertainty_m: float | None = None
    words: str = ""
    category: int = 0
    reason: str = ""
    review_date: str = ""

    def checked(self) -> HeldLocality:
        """Return it, or raise `OssicleError` where it cannot be."""
        if (self.latitude is None) != (self.longitude is None):
            raise OssicleError("only one of latitude and longitude is given", mend="give both or neither")
        if self.latitude is not None and not -90 <= self.latitude <= 90:
            raise OssicleError(f"{self.latitude:g} is no latitude", mend="give degrees from -90 to 90")
        if self.longitude is not None and not -180 <= self.longitude <= 180:
            raise OssicleError(f"{self.longitude:g} is no longitude", mend="give degrees from -180 to 180")
        if self.uncertainty_m is not None and not 0 < self.uncertainty_m < 2.1e7:
            raise OssicleError(f"{self.uncertainty_m:g} m is no uncertainty", mend="give metres, more than 0")
        if self.category not in CATEGORIES:
            raise OssicleError(f"no category of sensitivity is {self.category}", mend="give 0 to 4 (Chapman 2020)")
        if self.category and not (self.reason and self.review_date):
            raise OssicleError(
                "a sensitive locality needs a reason and a date of review",
                mend="give sensitivityReason and sensitivityReviewDate",
            )
        return self


def precision_uncertainty_m(latitude: float, degrees: float) -> float:
    """Return the uncertainty in metres that giving coordinates to so many degrees makes at a latitude."""
    phi = math.radians(latitude)
    e2 = _F * (2 - _F)
    w = 1 - e2 * math.sin(phi) ** 2
    meridian = _A * (1 - e2) / w**1.5
    parallel = _A / math.sqrt(w) * math.cos(phi)
    return math.radians(degrees) * math.hypot(meridian, parallel)


def held_precision(value: float) -> float:
    """Return to how many degrees a coordinate is held, from its decimals: 0.01 for 12.34."""
    exponent = Decimal(str(value)).normalize().as_tuple().exponent
    return float(Decimal(10) ** min(int(exponent), 0))


def shown_terms(held: HeldLocality | None) -> dict[str, Any]:
    """Return the Darwin Core terms of a locality that may be shown to anyone."""
    if held is None:
        return {}
    degrees = CATEGORIES[held.category]
    if held.category == 0:
        return _given(held, held.latitude, held.longitude, held.uncertainty_m) | (
            {"locality": held.words} if held.words else {}
        )
    told = f"{held.reason}; to be reviewed {held.review_date} (Chapman 2020, category {held.category})"
    if held.latitude is None or held.longitude is None:
        return {"informationWithheld": f"locality withheld: {told}"}
    finest = min(held_precision(held.latitude), held_precision(held.longitude))
    if degrees is None:
        return {"informationWithheld": f"coordinates and locality withheld, held to {finest:g} degree: {told}"}
    latitude, longitude = _rounded(held.latitude, degrees), _rounded(held.longitude, degrees)
    uncertainty = precision_uncertainty_m(latitude, degrees) + (held.uncertainty_m or 0.0)
    return _given(held, latitude, longitude, float(math.ceil(uncertainty))) | {
        "coordinatePrecision": degrees,
        "dataGeneralizations": f"coordinates held to {finest:g} degree are shown to {degrees:g} degree: {told}",
        "informationWithheld": "locality in words",
    }


def _given(held: HeldLocality, latitude: Any, longitude: Any, uncertainty: Any) -> dict[str, Any]:
    if held.latitude is None:
        return {}
    terms = {"decimalLatitude": latitude, "decimalLongitude": longitude}
    return terms if uncertainty is None else terms | {"coordinateUncertaintyInMeters": uncertainty}


def _rounded(value: float, degrees: float) -> float:
    return float(Decimal(str(value)).quantize(Decimal(str(degrees)), rounding=ROUND_HALF_EVEN))
