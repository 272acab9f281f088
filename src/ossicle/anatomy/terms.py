"""Terms for the parts of a skull: one preferred word each, synonyms, and UBERON identifiers.

The identifiers are UBERON's (CC BY 3.0). UBERON's terms for single tooth loci count as in humans and are not
used: a tooth is called by its name of `ossicle.anatomy.loci`.
"""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType

from ossicle.anatomy.notation import shown
from ossicle.anatomy.templates import Mark
from ossicle.errors import OssicleError

__all__ = ["Term", "load_terms", "term"]


@dataclass(frozen=True, slots=True)
class Term:
    """A part's term.

    Parameters
    ----------
    name
        The word used on pages, in accounts and in tables.
    uberon
        The identifier, ``"UBERON:0001687"``, or None where none fits or none was looked up.
    synonyms
        Other words of the trade for the same thing, accepted when naming.
    source, status
        Where the term was read (``"V"``), or that it is from memory (``"M"``).
    """

    name: str
    uberon: str | None
    synonyms: tuple[str, ...] = ()
    source: str = "UBERON (CC BY 3.0)"
    status: Mark = "V"


@cache
def load_terms() -> Mapping[str, Term]:
    """Return all terms by preferred name: UBERON's in the order of the data, then those we name ourselves."""
    data = files("ossicle.anatomy.data")
    found: dict[str, Term] = {}
    extra = tomllib.loads((data / "synonyms.toml").read_text(encoding="utf-8"))
    for line in (data / "terms.tsv").read_text(encoding="utf-8").splitlines()[1:]:
        name, uberon = line.split("\t")
        found[name] = Term(name, uberon, tuple(extra.pop(name, ())))
    if extra:
        raise OssicleError(f"synonyms are given for {min(extra)}, which is no term")
    for name, row in tomllib.loads((data / "own_terms.toml").read_text(encoding="utf-8")).items():
        synonyms = tuple(row.get("synonyms", ()))
        found[name] = Term(name, row.get("uberon"), synonyms, row["source"], row["status"])
    return MappingProxyType(found)


@cache
def _index() -> Mapping[str, Term]:
    index: dict[str, Term] = {}
    for entry in load_terms().values():
        for word in (entry.name, *entry.synonyms, *filter(None, [entry.uberon])):
            if index.setdefault(_key(word), entry) is not entry:
                raise OssicleError(f"{shown(word)} stands for two terms")
    return MappingProxyType(index)


def _key(word: str) -> str:
    return " ".join(word.split()).casefold()


def term(id_or_name: str) -> Term:
    """Return the term of this name, synonym or UBERON identifier; case does not matter.

    Raises
    ------
    OssicleError
        If there is no such term.
    """
    try:
        return _index()[_key(id_or_name)]
    except KeyError:
        raise OssicleError(
            f"no part is called {shown(id_or_name)}", mend="use a term of the list of terms, or its UBERON id"
        ) from None
