"""Settings of the scanner, as the source states them: DICOM tags of the CT image module, or a sidecar's own keys.

Only settings are taken; nothing that names a person, a place or a time.
"""

from __future__ import annotations

import json
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ossicle.scans.sidecar import sidecar_places

__all__ = ["scanner_settings"]

_TAGS = {
    "Manufacturer": "manufacturer",
    "ManufacturerModelName": "model",
    "KVP": "voltage_kv",
    "XRayTubeCurrent": "current_ma",
    "ExposureTime": "exposure_ms",
    "FilterType": "filter",
    "FilterMaterial": "filter_material",
    "FilterThicknessMaximum": "filter_mm",
    "FocalSpots": "focal_spot_mm",
    "ReconstructionDiameter": "field_of_view_mm",
    "ConvolutionKernel": "kernel",
    "SliceThickness": "slice_thickness_mm",
    "DistanceSourceToDetector": "source_to_detector_mm",
    "DistanceSourceToPatient": "source_to_axis_mm",
}
_KEYS = {
    "manufacturer", "model", "voltage_kv", "current_ma", "current_ua", "exposure_ms", "filter", "filter_material",
    "filter_mm", "focal_spot_mm", "focal_spot_um", "source_to_detector_mm", "source_to_axis_mm", "projections",
    "frames", "frames_averaged", "rotation_degrees", "detector", "kernel", "reconstruction", "power_w",
    "target", "scanner",
}  # fmt: skip
_LARGEST = 1 << 20
_LONGEST = 200
_MOST = 1e15
"""No setting of a scanner is larger, whatever its unit."""


def scanner_settings(source: Path) -> dict[str, Any]:
    """Return the settings that a source states; nothing where it states none."""
    return _from_sidecar(source) or _from_dicom(source)


def _from_sidecar(source: Path) -> dict[str, Any]:
    for place in sidecar_places(source):
        if place.suffix not in (".json", ".toml") or not place.is_file() or place.stat().st_size > _LARGEST:
            continue
        try:
            text = place.read_text(encoding="utf-8-sig")
            data = json.loads(text) if place.suffix == ".json" else tomllib.loads(text)
        except (OSError, ValueError, RecursionError):
            continue
        if not isinstance(data, Mapping):
            continue
        inner = data.get("scanner")
        found = {**data, **inner} if isinstance(inner, Mapping) else dict(data)
        kept = {str(k).strip().lower().replace(" ", "_").replace("-", "_"): v for k, v in found.items()}
        settings = _plain({k: v for k, v in kept.items() if k in _KEYS and isinstance(v, str | int | float)})
        if settings:
            return settings
    return {}


def _from_dicom(source: Path) -> dict[str, Any]:
    from pydicom import dcmread
    from pydicom.errors import InvalidDicomError

    file = source
    if source.is_dir():
        file = next((p for p in sorted(source.rglob("*")) if p.is_file() and not p.name.startswith(".")), source)
    if not file.is_file():
        return {}
    try:
        data = dcmread(file, stop_before_pixels=True, specific_tags=list(_TAGS))
        found = {name: data.get(tag) for tag, name in _TAGS.items()}
        return _plain({name: value for name, value in found.items() if value not in (None, "")})
    except (InvalidDicomError, OSError, ValueError, AttributeError, NotImplementedError):
        return {}


def _plain(stated: Mapping[str, Any]) -> dict[str, Any]:
    """Return settings as text or finite numbers, without those that are none."""
    return {name: plain for name, value in stated.items() if (plain := _setting(value)) is not None}


def _setting(value: Any) -> str | float | int | None:
    """Return a setting as text or a finite number; None for a number that is none."""
    if isinstance(value, int) and abs(value) < _MOST:
        return value
    try:
        number = float(value)
    except (TypeError, ValueError):
        return " ".join(str(value).split())[:_LONGEST].encode("utf-8", "replace").decode("utf-8")
    except OverflowError:
        return None
    return number if abs(number) < _MOST else None
