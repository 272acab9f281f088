"""An account as plain text for a terminal or a file."""

from __future__ import annotations

import textwrap

from .records import REGIONS, Account
from .words import UNCERTAIN_BELOW, arc_order, number, percent, tied

__all__ = ["CAUTIONS", "account_text", "cautions_of", "teeth_text"]

CAUTIONS = (
    "Not for clinical diagnosis.",
    "Human remains: follow the policy of the institution that holds them.",
    "Threatened species: coarsen localities before this is passed on.",
    "A confidence is this program's own estimate of how often such a finding is right; it was set on invented practice "
    "specimens, and on other scans it may be wrong.",
)
_STATE = {"in_crypt": "in crypt", "erupting": "erupting", "erupted": "erupted"}


def cautions_of(*, human_remains: bool, located: bool) -> tuple[str, ...]:
    """Return the cautions that apply to a specimen: that of human remains where it is flagged as such, that of
    localities where one is told."""
    clinical, remains, places, confidence = CAUTIONS
    return (clinical, *((remains,) if human_remains else ()), *((places,) if located else ()), confidence)


def account_text(account: Account, width: int = 96) -> str:
    """Return the account by region, a sentence a finding, then the table of teeth, warnings and cautions."""
    blocks: list[str] = []
    for region, heading in REGIONS.items():
        found = [x for x in account.findings if x.region == region]
        if region == "teeth":
            if account.teeth:
                blocks.append(heading + "\n" + teeth_text(account))
            continue
        if not found:
            continue
        lines = [heading]
        for finding in found:
            mark = "" if finding.standing == "computed" else f" [{finding.standing}]"
            said = f"{finding.statement}{mark}"
            if finding.confidence < UNCERTAIN_BELOW:
                said += f" [uncertain, {percent(finding.confidence)}]"
            lines.append(_wrapped(said, width))
        blocks.append("\n".join(lines))
    if account.warnings:
        blocks.append("\n".join(["Warnings", *(_wrapped(text, width) for text in account.warnings)]))
    blocks.append("\n".join(["Cautions", *(_wrapped(text, width) for text in CAUTIONS)]))
    return "\n\n".join(blocks) + "\n"


def teeth_text(account: Account) -> str:
    """Return the teeth as an aligned table; mm and mm3."""
    head = (
        "jaw",
        "side",
        "tooth",
        "generation",
        "emergence",
        "share",
        "length",
        "width",
        "crown",
        "volume",
        "sure",
    )
    unit = ("", "", "", "", "", "", "mm", "mm", "mm", "mm³", "")
    rows = [
        (
            t.jaw,
            t.side,
            t.name,
            t.generation,
            _STATE[t.emergence],
            percent(t.emergence_fraction),
            number(t.length_mm),
            number(t.width_mm),
            number(t.crown_height_mm),
            number(t.volume_mm3),
            percent(t.confidence),
        )
        for t in sorted(account.teeth, key=lambda t: (t.jaw != "upper", t.side != "right", *arc_order(t)))
    ]
    widths = [max(len(row[i]) for row in [head, unit, *rows]) for i in range(len(head))]
    return "\n".join(
        "  "
        + "  ".join(
            cell.rjust(w) if i > 4 else cell.ljust(w) for i, (cell, w) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in [head, unit, *rows]
    )


def _wrapped(text: str, width: int) -> str:
    filled = textwrap.fill(tied(text), width, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False)
    return filled.replace("\u00a0", " ")
