"""The true scale of a scan: where it comes from, and whether it can be right."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ossicle.errors import OssicleError

__all__ = ["Spacing", "length_in_mm", "parse_spacing", "plausibility", "resolve_spacing"]

HOW_TO_GIVE = "give it as --spacing 0.05 (all three) or --spacing Z,Y,X in mm, or in a scan.json beside the slices"

LEAST_MM, MOST_MM = 1e-9, 1e9
"""No voxel of any scan is smaller or larger; what is merely unlikely is warned of (`plausibility`)."""

_MM = {
    "m": 1000.0, "meter": 1000.0, "metre": 1000.0, "meters": 1000.0, "metres": 1000.0,
    "cm": 10.0, "centimeter": 10.0, "centimetre": 10.0, "centimeters": 10.0, "centimetres": 10.0,
    "mm": 1.0, "millimeter": 1.0, "millimetre": 1.0, "millimeters": 1.0, "millimetres": 1.0,
    "um": 1e-3, "µm": 1e-3, "μm": 1e-3, "\\u00b5m": 1e-3, "micron": 1e-3, "microns": 1e-3,
    "micrometer": 1e-3, "micrometre": 1e-3, "micrometers": 1e-3, "micrometres": 1e-3,
    "nm": 1e-6, "nanometer": 1e-6, "nanometre": 1e-6, "nanometers": 1e-6, "nanometres": 1e-6,
    "angstrom": 1e-7, "å": 1e-7, "in": 25.4, "inch": 25.4, "inches": 25.4,
}  # fmt: skip


@dataclass(frozen=True)
class Spacing:
    """A spacing and the place it was read from, for sentences (``"the header"``, ``"scan.json"``)."""

    mm_zyx: tuple[float, float, float]
    said_by: str


def length_in_mm(unit: str | None) -> float | None:
    """Return how many mm one ``unit`` is, or None where it is no unit of length we know."""
    return None if unit is None else _MM.get(unit.strip().strip("\"'").lower())


def parse_spacing(text: str) -> tuple[float, float, float]:
    """Read ``0.05`` or ``Z,Y,X`` (mm) as the ``--spacing`` option takes it.

    Raises
    ------
    OssicleError
        The text is neither one nor three positive numbers.

    >>> parse_spacing("0.5, 0.1,0.1")
    (0.5, 0.1, 0.1)
    """
    pieces = text.replace(";", ",").split(",") if "," in text or ";" in text else text.split()
    try:
        numbers = [float(piece) for piece in pieces]
    except ValueError:
        numbers = []
    return checked(numbers, "--spacing " + text)


def checked(numbers: Sequence[float], said_by: str) -> tuple[float, float, float]:
    """Return three positive numbers of mm from one or three; raises OssicleError where they are not."""
    values = [float(n) for n in numbers]
    if len(values) == 1:
        values *= 3
    if len(values) != 3 or not all(LEAST_MM < v < MOST_MM for v in values):
        what = ", ".join(f"{v:g}" for v in values) or "nothing that is a number"
        raise OssicleError(
            f"the spacing must be one or three positive numbers of mm, from {LEAST_MM:g} to {MOST_MM:g}, not {what}",
            where=said_by,
            mend=HOW_TO_GIVE,
        )
    return values[0], values[1], values[2]


def resolve_spacing(
    option: Sequence[float] | float | None,
    stated: Spacing | None,
    sidecar: Spacing | None,
    *,
    where: object,
    hint: str,
) -> tuple[tuple[float, float, float], list[str]]:
    """Choose between option, files and sidecar; the first that is given wins.

    Returns the spacing in mm (z, y, x) and a warning for each disagreement of more than one part in a
    thousand.

    Raises
    ------
    OssicleError
        None of the three gives a spacing. ``hint`` says what was found instead, if anything.
    """
    claims: list[Spacing] = []
    if option is not None:
        numbers = [float(option)] if isinstance(option, int | float) else [float(v) for v in option]
        claims.append(Spacing(checked(numbers, "--spacing"), "the option --spacing"))
    claims.extend(claim for claim in (stated, sidecar) if claim is not None)
    if not claims:
        raise OssicleError("the size of a voxel is not stated" + hint, where=where, mend=HOW_TO_GIVE)
    first = claims[0]
    warnings = [
        f"{first.said_by} says that a voxel measures {_three(first.mm_zyx)} mm (z, y, x), {other.said_by} "
        "says "
        f"{_three(other.mm_zyx)} mm; {first.said_by} was followed."
        for other in claims[1:]
        if any(abs(a - b) > 1e-3 * max(a, b) for a, b in zip(first.mm_zyx, other.mm_zyx, strict=True))
    ]
    return first.mm_zyx, [w[0].upper() + w[1:] for w in warnings]


def plausibility(shape_zyx: Sequence[int], mm_zyx: Sequence[float]) -> list[str]:
    """Return warnings where a spacing looks like another unit or a slip."""
    warnings = []
    largest, smallest = max(mm_zyx), min(mm_zyx)
    if largest > 5:
        warnings.append(
            f"A voxel of {largest:g} mm is far too large for a skull's CT: was the spacing meant in micrometres?"
        )
    if smallest < 0.0005:
        warnings.append(
            f"A voxel of {smallest:g} mm ({smallest * 1e6:g} nm) is far too small for CT: was the spacing "
            "meant in "
            "metres or centimetres?"
        )
    longest = max(n * s for n, s in zip(shape_zyx, mm_zyx, strict=True))
    if longest > 1000:
        warnings.append(f"The scan would be {longest / 1000:.3g} m long: check the unit of the spacing.")
    if largest / smallest > 5:
        warnings.append(
            f"A voxel is {largest / smallest:.3g} times longer than wide ({_three(mm_zyx)} mm, z, y, x): "
            "small parts "
            "will be lost between slices, or the spacing is wrong."
        )
    return warnings


def _three(values: Sequence[float]) -> str:
    return " x ".join(f"{v:.6g}" for v in values)
