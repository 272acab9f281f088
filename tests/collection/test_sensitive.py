"""Localities of threatened species, and human remains."""

from __future__ import annotations

from pathlib import Path

import pytest

from ossicle.collection import Collection
from ossicle.collection.locality import HeldLocality, held_precision, precision_uncertainty_m, shown_terms
from ossicle.errors import OssicleError

HELD = {
    "catalogNumber": "OTC 1",
    "decimalLatitude": "-12.34567",
    "decimalLongitude": "45.1",
    "coordinateUncertaintyInMeters": "30",
    "locality": "by the old mill",
    "country": "Nowhere",
    "sensitivityReason": "trade",
    "sensitivityReviewDate": "2031-05-01",
}


@pytest.mark.parametrize(
    ("latitude", "degrees", "metres"),
    [(0, 1.0, 156904), (30, 1.0, 146962), (60, 1.0, 124605), (85, 1.0, 112109), (0, 0.1, 15691), (60, 0.01, 1246)],
)
def test_uncertainty_of_precision(latitude: float, degrees: float, metres: float) -> None:
    """Chapman & Wieczorek 2020, Georeferencing Best Practices, table of uncertainty due to coordinate precision
    (values from memory; WGS 84)."""
    assert precision_uncertainty_m(latitude, degrees) == pytest.approx(metres, rel=2e-3)


@pytest.mark.parametrize(
    ("category", "latitude", "longitude"), [("2", -12.3, 45.1), ("3", -12.35, 45.1), ("4", -12.346, 45.1)]
)
def test_sensitive_localities_are_shown_generalised(
    tmp_path: Path, category: str, latitude: float, longitude: float
) -> None:
    """Chapman 2020: categories 2, 3, 4 to 0.1, 0.01, 0.001 degree; rounded, not randomised; both precisions, the
    reason and the date of review told."""
    with Collection.create(tmp_path / "c") as cabinet:
        shown = cabinet.add_specimen({**HELD, "sensitivityCategory": category})
        terms = dict(shown.terms)
        assert (terms["decimalLatitude"], terms["decimalLongitude"]) == (latitude, longitude)
        assert "locality" not in terms
        assert terms["informationWithheld"] == "locality in words"
        for told in ("1e-05 degree", f"{10.0 ** -(int(category) - 1):g} degree", "trade", "2031-05-01"):
            assert told in terms["dataGeneralizations"]
        assert terms["coordinateUncertaintyInMeters"] > 30
        exact = cabinet.exact_terms("OTC 1")
        assert (exact["decimalLatitude"], exact["locality"]) == (-12.34567, "by the old mill")
        assert (exact["sensitivityCategory"], exact["sensitivityReason"]) == (int(category), "trade")
        assert cabinet.specimens("mill").total == 0
        assert cabinet.specimens("nowhere").total == 1
        assert dict(cabinet.specimen("OTC 1").terms) == terms


def test_the_most_sensitive_are_withheld(tmp_path: Path) -> None:
    with Collection.create(tmp_path / "c") as cabinet:
        terms = cabinet.add_specimen({**HELD, "sensitivityCategory": "1"}).terms
    assert not {"decimalLatitude", "decimalLongitude", "locality"} & set(terms)
    assert terms["informationWithheld"].startswith("coordinates and locality withheld, held to 1e-05 degree: trade")


def test_history_does_not_tell_what_is_withheld(tmp_path: Path) -> None:
    with Collection.create(tmp_path / "c") as cabinet:
        cabinet.add_specimen({**HELD, "sensitivityCategory": "2"})
        cabinet.describe("OTC 1", {"decimalLatitude": "-12.34569", "sex": "female"}, who="A. Reader")
        (told,), (held,) = cabinet.changes_of("OTC 1"), cabinet.changes_of("OTC 1", exact=True)
    assert told.fields == {"locality.latitude": ("withheld", "withheld"), "sex": ("", "female")}
    assert held.fields["locality.latitude"] == (-12.34567, -12.34569)
    assert (told.who, told.version) == ("A. Reader", 2)


def test_others_are_shown_as_held() -> None:
    terms = shown_terms(HeldLocality(-12.34567, 45.1, 30, "by the old mill"))
    assert terms == {
        "decimalLatitude": -12.34567,
        "decimalLongitude": 45.1,
        "coordinateUncertaintyInMeters": 30,
        "locality": "by the old mill",
    }
    assert held_precision(12.0) == 1
    assert shown_terms(None) == {}


def test_human_remains_stay_until_papers_are_filled_in_and_export_is_allowed(tmp_path: Path) -> None:
    with Collection.create(tmp_path / "c") as cabinet:
        cabinet.add_specimen({"catalogNumber": "OTC 1", "humanRemains": "yes"})
        cabinet.add_specimen({"catalogNumber": "OTC 2"})
        cabinet.check_export("OTC 2")
        with pytest.raises(OssicleError, match="lacks remainsConsent and remainsProvenance"):
            cabinet.check_export("OTC 1")
        with pytest.raises(OssicleError, match="lacks remainsConsent and remainsProvenance"):
            cabinet.allow_export("OTC 1")
        cabinet.describe("OTC 1", {"remainsConsent": "by the donor", "remainsProvenance": "teaching collection"})
        with pytest.raises(OssicleError, match="off by default"):
            cabinet.check_export("OTC 1")
        with pytest.raises(OssicleError, match="off by default"):
            cabinet.export("OTC 1", tmp_path / "out")
        cabinet.allow_export("OTC 1")
        cabinet.check_export("OTC 1")
        cabinet.describe("OTC 1", {"remainsConsent": ""})
        with pytest.raises(OssicleError, match="lacks remainsConsent,"):
            cabinet.check_export("OTC 1")
    assert not (tmp_path / "out").exists()
