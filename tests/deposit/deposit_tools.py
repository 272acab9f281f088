"""What the tests of deposits share: the rights of an invented cabinet, a sensitive place, one byte altered."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from ossicle.publish.deposit import Rights, rights

DAY = date(2031, 5, 1)
PLACE = {
    "decimalLatitude": "-33.85678", "decimalLongitude": "151.21530", "locality": "the secret gully",
    "sensitivityCategory": "2", "sensitivityReason": "collected for trade", "sensitivityReviewDate": "2035-01-01",
    "country": "Nowhere", "institutionCode": "OTC",
}  # fmt: skip


def own_rights() -> Rights:
    return rights("CC-BY-4.0", "Ossicle Teaching Cabinet (invented)", "none", ["Reader, Anna, 0000-0000-0000-0001"])


def spoilt(path: Path, at: int) -> None:
    with open(path, "r+b") as file:
        file.seek(at)
        byte = file.read(1)
        file.seek(at)
        file.write(bytes([byte[0] ^ 1]))
