"""The specimens as a Darwin Core Archive (TDWG text guidelines): occurrence core, measurements, Audiovisual Core media.

Terms: https://dwc.tdwg.org/terms/ and https://ac.tdwg.org/termlist/. What is told of a locality is what may be shown.
"""

from __future__ import annotations

import csv
import io
import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any
from xml.sax.saxutils import escape, quoteattr

from ossicle import __version__
from ossicle.account import Account, methods
from ossicle.compare.quantities import quantities
from ossicle.compare.specimens import Compared

from .packing import packed
from .rights import Rights

__all__ = ["Medium", "archive", "occurrence_id"]

DWC = "http://rs.tdwg.org/dwc/terms/"
DCT = "http://purl.org/dc/terms/"
AC = "http://rs.tdwg.org/ac/terms/"
XMP = "http://ns.adobe.com/xap/1.0/rights/"
_DUBLIN = {"license", "rightsHolder", "accessRights", "bibliographicCitation", "references"}
_MEASURES = (
    "measurementID", "measurementType", "measurementValue", "measurementAccuracy", "measurementUnit",
    "measurementMethod", "measurementRemarks",
)  # fmt: skip
_MEDIA = (
    f"{DCT}identifier", f"{DCT}type", f"{DCT}title", f"{AC}accessURI", f"{DCT}format", f"{AC}caption",
    f"{AC}subjectPart", f"{AC}captureDevice", f"{XMP}UsageTerms", f"{XMP}WebStatement", f"{XMP}Owner",
)  # fmt: skip


@dataclass(frozen=True)
class Medium:
    """A file of the deposit that shows a specimen. ``type`` is the address of its class."""

    path: str
    type: str
    title: str
    format: str
    caption: str
    part: str = ""


def occurrence_id(terms: Mapping[str, Any], number: str) -> str:
    """Return a name for the specimen that is the same in every deposit: made of institution, collection and number."""
    known = terms.get("materialEntityID")
    if known:
        return str(known)
    text = ":".join(str(terms.get(t, "")) for t in ("institutionCode", "collectionCode")) + f":{number}"
    return f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_URL, text)}"


def archive(
    specimens: Sequence[tuple[str, Mapping[str, Any], Account, Sequence[Medium]]],
    title: str,
    rights: Rights,
    made: date,
) -> bytes:
    """Return the archive.

    Parameters
    ----------
    specimens
        Catalogue number, terms that may be shown, account, media.
    """
    names = list(dict.fromkeys(t for _, terms, _, _ in specimens for t in terms))
    fixed = ["occurrenceID", "catalogNumber", "basisOfRecord", "license", "rightsHolder"]
    columns = [*fixed, *(n for n in names if n not in fixed)]
    core, facts, media = [], [], []
    for number, terms, account, shown in specimens:
        own = occurrence_id(terms, number)
        said = {
            "basisOfRecord": "PreservedSpecimen",
            **terms,
            "occurrenceID": own,
            "catalogNumber": number,
            "license": rights.address,
            "rightsHolder": rights.holder,
        }
        core.append([own, *(said.get(c, "") for c in columns)])
        facts += [[own, *row] for row in _facts(own, number, account)]
        media += [[own, *_medium(m, rights)] for m in shown]
    members = {
        "meta.xml": _meta(columns),
        "eml.xml": _eml(title, rights, made),
        "occurrence.csv": _csv(["id", *columns], core),
        "measurement.csv": _csv(["coreid", *_MEASURES], facts),
        "media.csv": _csv(["coreid", *(t.rpartition("/")[2] for t in _MEDIA)], media),
    }
    return packed({name: text.encode("utf-8") for name, text in members.items()})


def _facts(own: str, number: str, account: Account) -> Iterable[list[str]]:
    known = methods()
    for place, q in enumerate(quantities(Compared(number, account)).values(), start=1):
        method = known.get(q.method)
        yield [
            f"{own}#{place}",
            q.name,
            f"{q.value:.6g}",
            f"{q.error:.3g}",
            q.unit,
            f"{method.title if method else q.method} (Ossicle {account.made_by.version}, {q.method})",
            f"measurementAccuracy is the standard error; confidence in what was measured {q.confidence:.2f}",
        ]


def _medium(m: Medium, rights: Rights) -> list[str]:
    return [
        m.path,
        m.type,
        m.title,
        m.path,
        m.format,
        m.caption,
        m.part,
        "",
        rights.licence,
        rights.address,
        rights.holder,
    ]


def _csv(head: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(head)
    writer.writerows([" ".join(str(v).split()) for v in row] for row in rows)
    return out.getvalue()


def _meta(columns: Sequence[str]) -> str:
    core = "".join(
        f'    <field index="{n}" term="{DCT if c in _DUBLIN else DWC}{c}"/>\n' for n, c in enumerate(columns, start=1)
    )
    facts = "".join(f'    <field index="{n}" term="{DWC}{c}"/>\n' for n, c in enumerate(_MEASURES, start=1))
    media = "".join(f'    <field index="{n}" term="{c}"/>\n' for n, c in enumerate(_MEDIA, start=1))
    form = 'encoding="UTF-8" fieldsTerminatedBy="," linesTerminatedBy="\\n" fieldsEnclosedBy="&quot;"'
    form += ' ignoreHeaderLines="1"'
    return f"""<?xml version="1.0" encoding="UTF-8"?>
<archive xmlns="http://rs.tdwg.org/dwc/text/" metadata="eml.xml">
  <core {form} rowType="{DWC}Occurrence">
    <files><location>occurrence.csv</location></files>
    <id index="0"/>
{core}  </core>
  <extension {form} rowType="{DWC}MeasurementOrFact">
    <files><location>measurement.csv</location></files>
    <coreid index="0"/>
{facts}  </extension>
  <extension {form} rowType="{AC}Multimedia">
    <files><location>media.csv</location></files>
    <coreid index="0"/>
{media}  </extension>
</archive>
"""


def _eml(title: str, rights: Rights, made: date) -> str:
    def person(tag: str) -> str:
        a = rights.authors[0]
        given = f"<givenName>{escape(a.given)}</givenName>" if a.given else ""
        return f"<{tag}><individualName>{given}<surName>{escape(a.family)}</surName></individualName></{tag}>"

    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<eml:eml xmlns:eml="https://eml.ecoinformatics.org/eml-2.2.0" packageId={quoteattr(title)}',
        f'  system="Ossicle {__version__}" xml:lang="en">',
        "  <dataset>",
        f"    <title>{escape(title)}</title>",
        f"    {person('creator')}",
        f"    {person('metadataProvider')}",
        f"    <pubDate>{(rights.embargo or made).isoformat()}</pubDate>",
        "    <language>en</language>",
        "    <abstract><para>Skulls read from CT scans: dentition, measurements, openings. Not for clinical diagnosis.",
        "    </para></abstract>",
        f"    <intellectualRights><para><ulink url={quoteattr(rights.address)}>",
        f"    <citetitle>{escape(rights.licence)}</citetitle></ulink></para></intellectualRights>",
        f"    {person('contact')}",
        "  </dataset>",
        "</eml:eml>",
    ]
    return "\n".join(lines) + "\n"
