"""What parts are called outside the desk, and how a person names those wanted."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from ossicle.account import Account
from ossicle.account.words import UNCERTAIN_BELOW
from ossicle.anatomy import load_terms
from ossicle.errors import OssicleError
from ossicle.reading.records import Part, ToothRecord

__all__ = ["names_of", "parts_named", "short_names", "uberon_of"]

_KINDS = {
    "bone": "bone",
    "bones": "bone",
    "cavities": "cavity",
    "openings": "opening",
    "ossicles": "ossicle",
}


def names_of(account: Account) -> dict[int, str]:
    """Return the full name of every part: ``left upper dP4``, ``right dentary``, ``cranium``; all names differ.

    A tooth of whose naming the reading is not sure carries a question mark, as in open nomenclature.
    """
    teeth = {t.part: t for t in account.teeth}
    return _apart((p.part, _full(p, teeth.get(p.part))) for p in account.parts)


def short_names(account: Account) -> dict[int, str]:
    """Return the name of every part as a label has it, where the view shows jaw and side: ``dP4``, ``dentary``."""
    teeth = {t.part: t for t in account.teeth}
    return {p.part: _tooth_name(teeth[p.part]) if p.part in teeth else p.term for p in account.parts}


def parts_named(account: Account, wanted: Sequence[str], where: str) -> list[int]:
    """Return the parts that words name, in the order of the account.

    Parameters
    ----------
    wanted
        ``teeth``, ``upper teeth``, ``bone``, ``openings``, ``cavities``, ``in crypts``, a name of `names_of` with or
        without its question mark, a term for both sides, or a part's number; none means all parts.
    where
        What is told in the error.

    Raises
    ------
    OssicleError
        A word names no part.
    """
    if not wanted:
        return [p.part for p in account.parts]
    found: set[int] = set()
    for words in wanted:
        some = _answering(account, " ".join(words.lower().split()))
        if not some:
            terms = sorted({n for p, n in names_of(account).items() if not _is_tooth(account, p)})
            raise OssicleError(
                f"it has no part {words!r}",
                where=where,
                mend="say teeth, upper teeth, lower teeth, bone, a tooth as 'left upper P4', or one of "
                + ", ".join(terms),
            )
        found |= some
    return [p.part for p in account.parts if p.part in found]


def uberon_of(part: Part, tooth: ToothRecord | None = None) -> str | None:
    """Return the UBERON identifier of a part, None where there is none.

    A tooth is told as deciduous or permanent, not by UBERON's loci, which count as in humans.
    """
    term = part.term
    if part.kind == "tooth":
        generation = "" if tooth is None else tooth.generation
        term = f"{generation} tooth" if generation in ("deciduous", "permanent") else "calcareous tooth"
    known = load_terms().get(term)
    return None if known is None else known.uberon


def _full(part: Part, tooth: ToothRecord | None) -> str:
    if tooth is not None:
        return f"{tooth.side} {tooth.jaw} {_tooth_name(tooth)}"
    side = f"{part.side} " if part.side in ("left", "right") else ""
    return f"{side}{part.term}"


def _tooth_name(tooth: ToothRecord) -> str:
    unsure = tooth.confidence < UNCERTAIN_BELOW and tooth.decided_by != "person"
    return f"{tooth.name}?" if unsure else tooth.name


def _apart(named: Iterable[tuple[int, str]]) -> dict[int, str]:
    out: dict[int, str] = {}
    seen: dict[str, int] = {}
    for part, name in named:
        seen[name] = seen.get(name, 0) + 1
        out[part] = name if seen[name] == 1 else f"{name} ({seen[name]})"
    return out


def _is_tooth(account: Account, part: int) -> bool:
    return any(t.part == part for t in account.teeth)


def _answering(account: Account, words: str) -> set[int]:
    teeth = account.teeth
    if words in ("teeth", "tooth"):
        return {t.part for t in teeth}
    if words in ("upper teeth", "lower teeth"):
        return {t.part for t in teeth if t.jaw == words.split()[0]}
    if words == "in crypts":
        return {t.part for t in teeth if t.emergence == "in_crypt"}
    if words in _KINDS:
        return {p.part for p in account.parts if p.kind == _KINDS[words]}
    if words.isdigit():
        return {p.part for p in account.parts if p.part == int(words)}
    out = {p for p, n in names_of(account).items() if words in (n.lower(), n.lower().replace("?", ""))}
    return out | {p.part for p in account.parts if p.kind != "tooth" and p.term.lower() == words}
