"""Who may do what with a deposit: licence, holder of the rights, embargo, authors."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from ossicle.errors import OssicleError

__all__ = ["LICENCES", "Author", "Rights", "author", "rights"]

LICENCES = (
    "CC0-1.0", "CC-BY-4.0", "CC-BY-SA-4.0", "CC-BY-NC-4.0", "CC-BY-NC-SA-4.0", "CC-BY-ND-4.0", "CC-BY-NC-ND-4.0",
    "ODbL-1.0", "ODC-By-1.0", "PDDL-1.0",
)  # fmt: skip
"""Licences for data by their SPDX identifiers."""
_ORCID = re.compile(r"(?:https://orcid\.org/)?(\d{4}-\d{4}-\d{4}-\d{3}[\dX])")


@dataclass(frozen=True)
class Author:
    """A person who answers for a deposit; ``orcid`` is a whole address, or ""."""

    family: str
    given: str
    orcid: str = ""

    @property
    def name(self) -> str:
        """Given and family name."""
        return f"{self.given} {self.family}".strip()


@dataclass(frozen=True)
class Rights:
    """``licence`` is an SPDX identifier or an https address; ``embargo`` a date, None where there is none."""

    licence: str
    holder: str
    embargo: date | None
    authors: tuple[Author, ...]

    @property
    def address(self) -> str:
        """The licence's address: of Creative Commons its own, else that of SPDX."""
        if self.licence.startswith("https://"):
            return self.licence
        if self.licence == "CC0-1.0":
            return "https://creativecommons.org/publicdomain/zero/1.0/"
        found = re.fullmatch(r"CC-([A-Z-]+)-(\d\.\d)", self.licence)
        if found:
            return f"https://creativecommons.org/licenses/{found.group(1).lower()}/{found.group(2)}/"
        return f"https://spdx.org/licenses/{self.licence}"

    def same_as(self, licence: str) -> bool:
        """Return whether a licence that is named or addressed in another way is this one."""
        said = licence.strip().removesuffix("/legalcode").removesuffix("/deed.en").rstrip("/")
        plain = re.sub(r"^https?://(www\.)?", "", said).lower()
        known = (self.licence, self.address, f"spdx.org/licenses/{self.licence}")
        return plain in {re.sub(r"^https?://", "", k).rstrip("/").lower() for k in known}


def rights(licence: str, holder: str, embargo: str, authors: Sequence[str]) -> Rights:
    """Check what was said of a deposit's rights; nothing is taken for granted.

    Parameters
    ----------
    embargo
        A date as 2031-05-01, or ``none``.
    authors
        ``Family, Given`` or ``Family, Given, 0000-0000-0000-0000`` (ORCID).

    Raises
    ------
    OssicleError
        Something is missing or cannot be.
    """
    if licence not in LICENCES and not re.fullmatch(r"https://[^\s<>\"]{4,200}", licence):
        raise OssicleError(
            f"{licence!r} is no licence that is known" if licence else "no licence is given",
            where="--license",
            mend=f"give one of {', '.join(LICENCES)}, or the https address of another",
        )
    if not holder.strip():
        raise OssicleError("nobody is named who holds the rights", where="--rights-holder", mend="name the institution")
    if not embargo:
        raise OssicleError(
            "nothing is said of an embargo", where="--embargo", mend="write a date as 2031-05-01, or none"
        )
    until = None
    if embargo != "none":
        try:
            until = date.fromisoformat(embargo)
        except ValueError:
            raise OssicleError(f"{embargo!r} is no date", where="--embargo", mend="write it as 2031-05-01") from None
    if not authors:
        raise OssicleError(
            "no author is named", where="--author", mend="write 'Family, Given' or 'Family, Given, ORCID'"
        )
    return Rights(licence, " ".join(holder.split()), until, tuple(author(a) for a in authors))


def author(text: str) -> Author:
    """Return an author from ``Family, Given, ORCID``; an ORCID's check digit (ISO 7064 11-2) must be right."""
    words = [w.strip() for w in text.split(",")]
    if not words[0] or len(words) > 3:
        raise OssicleError(
            f"{text!r} is no author", where="--author", mend="write 'Family, Given' or 'Family, Given, ORCID'"
        )
    orcid = ""
    if len(words) == 3:
        found = _ORCID.fullmatch(words[2])
        if found is None or not _sound(found.group(1)):
            raise OssicleError(f"{words[2]!r} is no ORCID", where="--author", mend="look for a slip in its digits")
        orcid = f"https://orcid.org/{found.group(1)}"
    return Author(words[0], words[1] if len(words) > 1 else "", orcid)


def _sound(orcid: str) -> bool:
    total = 0
    for digit in orcid.replace("-", "")[:-1]:
        total = (total + int(digit)) * 2
    check = (12 - total % 11) % 11
    return orcid[-1] == ("X" if check == 10 else str(check))
