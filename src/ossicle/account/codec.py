"""An account as JSON (schema ``ossicle-account/1``) and back."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from ossicle.anatomy import term
from ossicle.errors import OssicleError
from ossicle.reading.records import Part, ToothRecord

from .methods import methods_used
from .records import (
    SCHEMA,
    Account,
    Evidence,
    Finding,
    FormulaFacts,
    MadeBy,
    PoseFacts,
    ScanFacts,
    Source,
    StageFacts,
    View,
)
from .schema import check

__all__ = ["account_from_json", "account_to_dict", "account_to_json"]

_INCOMPLETE = ("cut_by_scan_edge", "broken")
_DIGITS = 6
_MOST = 1e18
"""No number of an account is larger, whatever its unit; tables hold whole numbers of 64 bits."""


def account_to_json(account: Account) -> str:
    """Return the account as JSON text; numbers that are not finite become null.

    Raises
    ------
    ValueError
        If it does not fit the schema, which is a fault of ours.
    """
    data = account_to_dict(account)
    try:
        check(data)
    except OssicleError as error:
        raise ValueError(f"the account to be written is not valid: {error.what}") from error
    return json.dumps(data, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def account_to_dict(account: Account) -> dict[str, Any]:
    """Return the account as plain JSON values."""
    used = methods_used(finding.method for finding in account.findings)
    formula = account.formula
    data = {
        "schema": SCHEMA,
        "scan": asdict(account.scan),
        "pose": asdict(account.pose),
        "teeth": [_tooth(tooth) for tooth in account.teeth],
        "formula": {
            "text": formula.text,
            "by_generation": formula.by_generation,
            "quadrants": formula.quadrants,
            "dentition": formula.dentition,
            "dentition_confidence": formula.dentition_confidence,
            "candidates": [{"dentition": name, "probability": p} for name, p in formula.candidates],
            "stage": asdict(formula.stage),
        },
        "parts": [_part(part) for part in account.parts],
        "openings": list(account.openings),
        "jaw": list(account.jaw),
        "ear": list(account.ear),
        "measurements": list(account.measurements),
        "landmarks": list(account.landmarks),
        "findings": [_finding(finding) for finding in account.findings],
        "methods": {key: asdict(method) for key, method in used.items()},
        "warnings": list(account.warnings),
        "made_by": asdict(account.made_by),
    }
    plain = _plain(data)
    assert isinstance(plain, dict)
    return plain


def _number(text: str) -> float:
    value = float(text)
    if not abs(value) < _MOST:  # RFC 8259 knows no NaN and no infinity
        raise ValueError(f"{text[:40]} is no number of an account")
    return value


def _whole(text: str) -> int:
    _number(text)
    return int(text)


def account_from_json(text: str, where: object = "account.json") -> Account:
    """Read an account back.

    Raises
    ------
    OssicleError
        If the text is no account of a schema that this version knows.
    """
    try:
        data = json.loads(text, parse_constant=_number, parse_float=_number, parse_int=_whole)
    except (ValueError, RecursionError) as error:
        raise OssicleError(
            f"this is not JSON ({error})", where=where, mend="give a folder that `ossicle read --out` wrote"
        ) from error
    check(data, where)
    formula, pose, scan, made = data["formula"], data["pose"], data["scan"], data["made_by"]
    return Account(
        scan=ScanFacts(
            shape_zyx=tuple(scan["shape_zyx"]),
            spacing_mm_zyx=tuple(scan["spacing_mm_zyx"]),
            sources=tuple(Source(s["name"], s.get("sha256")) for s in scan["sources"]),
            grey_unit=scan["grey_unit"],
            handedness=scan.get("handedness", "assumed"),
            affine_mm=_rows(scan["affine_mm"]) if scan.get("affine_mm") else None,
            note=scan.get("note"),
        ),
        pose=PoseFacts(
            _rows(pose["scan_to_skull"]),
            pose["confidence"],
            pose.get("found", True),
            tuple(pose.get("questions", ())),
        ),
        teeth=tuple(_tooth_back(tooth) for tooth in data["teeth"]),
        formula=FormulaFacts(
            text=formula["text"],
            by_generation=formula["by_generation"],
            quadrants=formula["quadrants"],
            dentition=formula["dentition"],
            dentition_confidence=formula.get("dentition_confidence", 0.0),
            candidates=tuple((c["dentition"], c["probability"]) for c in formula.get("candidates", ())),
            stage=StageFacts(**formula["stage"]),
        ),
        parts=tuple(_part_back(part) for part in data["parts"]),
        findings=tuple(_finding_back(finding) for finding in data["findings"]),
        warnings=tuple(data["warnings"]),
        made_by=MadeBy(**made),
        openings=tuple(data["openings"]),
        jaw=tuple(data["jaw"]),
        ear=tuple(data["ear"]),
        measurements=tuple(data["measurements"]),
        landmarks=tuple(data.get("landmarks", ())),
    )


def _tooth(tooth: ToothRecord) -> dict[str, Any]:
    record = asdict(tooth)
    record["class"] = record.pop("tooth_class")
    record["complete"] = tooth.completeness not in _INCOMPLETE
    return record


def _tooth_back(data: Mapping[str, Any]) -> ToothRecord:
    fields = {key: value for key, value in data.items() if key not in ("class", "complete")}
    for key in ("length_mm", "width_mm", "crown_height_mm", "volume_mm3", "enamel_volume_mm3"):
        fields[key] = math.nan if fields[key] is None else fields[key]
    fields["tooth_class"] = data["class"]
    fields["centroid_mm_xyz"] = tuple(data["centroid_mm_xyz"])
    fields["remarks"] = tuple(data.get("remarks", ()))
    return ToothRecord(**fields)


def _part(part: Part) -> dict[str, Any]:
    try:
        uberon = term(part.term).uberon
    except OssicleError:  # a word of ours without an entry
        uberon = None
    return {**asdict(part), "uberon": uberon}


def _part_back(data: Mapping[str, Any]) -> Part:
    fields = {key: value for key, value in data.items() if key != "uberon"}
    fields["volume_mm3"] = math.nan if fields["volume_mm3"] is None else fields["volume_mm3"]
    return Part(**{**fields, "centroid_mm_xyz": tuple(data["centroid_mm_xyz"])})


def _finding(finding: Finding) -> dict[str, Any]:
    return asdict(finding)


def _finding_back(data: Mapping[str, Any]) -> Finding:
    evidence, view = data["evidence"], data["evidence"]["view"]
    if view is not None:
        view = View(
            **{
                **view,
                "look": tuple(view["look"]),
                "up": tuple(view["up"]),
                "centre_mm": tuple(view["centre_mm"]) if view["centre_mm"] else None,
                "presence": {int(part): shown for part, shown in view["presence"].items()},
            }
        )
    return Finding(**{**data, "evidence": Evidence(tuple(evidence["parts"]), view)})


def _rows(matrix: Sequence[Sequence[float]]) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(row) for row in matrix)


def _plain(value: Any) -> Any:
    """Return JSON values: keys as text, tuples as lists, floats rounded, what is not finite as None."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, bool) or value is None or isinstance(value, str):
        return value
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float):
        return round(value, _DIGITS) if math.isfinite(value) else None
    return value
