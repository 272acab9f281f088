"""The numbers of an account that can be compared, each with unit and standard error, absolute and relative to size.

An account states the errors of openings, angles, ears and lengths. Those of teeth are not stated there: an extent is
taken to be known to a voxel (docs/accuracy.md: 77 to 80 % lie within one voxel or 1 %), a volume to half a voxel all
over the surface of a body of that volume, half as large again as a ball's, the emerged share to 0.05 (mean error 0.034
on practice specimens).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from ossicle.reading.records import ToothRecord

from .specimens import Compared

__all__ = ["REFERENCES", "Quantity", "quantities", "reference_length"]

EMERGED_ERROR = 0.05
REFERENCES = (
    "condylobasal length",
    "condylobasal length (alveolar form)",
    "basal length",
    "greatest length of skull",
)
"""Lengths that others are given relative to; the first that all specimens have is taken."""

PALATE = "palatilar length"
"""What the palate's openings are given relative to, where it is known."""


@dataclass(frozen=True)
class Quantity:
    """One number. ``power`` is that of length in it: 1 mm, 2 mm2, 3 mm3, 0 none, so that it can be given relative to a
    length. ``parts`` and ``points`` (skull mm) show it; ``confidence`` (0 to 1) is that the right thing was measured.
    """

    group: str
    name: str
    value: float
    error: float
    unit: str
    power: int
    method: str
    confidence: float
    parts: tuple[int, ...] = ()
    points: tuple[tuple[float, ...], ...] = ()

    def relative_to(self, other: Quantity) -> tuple[float, float]:
        """The value over the other's to the same power of length, and its standard error."""
        value = self.value / other.value**self.power
        share = np.hypot(self.error / self.value if self.value else 0.0, self.power * other.error / other.value)
        return value, float(abs(value) * share)


def quantities(s: Compared) -> dict[str, Quantity]:
    """Return the quantities of a specimen by name, which tells side and structure."""
    found: dict[str, Quantity] = {}
    for q in (*_teeth(s), *_openings(s), *_jaw(s), *_ear(s), *_lengths(s)):
        if np.isfinite(q.value) and np.isfinite(q.error):
            found.setdefault(q.name, q)
    return found


def reference_length(found: list[dict[str, Quantity]], group: str = "") -> str | None:
    """Return the name of the length that all have and a group's others are given relative to, None where none is."""
    names = (PALATE, *REFERENCES) if group == "palate" else REFERENCES
    return next((name for name in names if all(name in q and q[name].value > 0 for q in found)), None)


def _teeth(s: Compared) -> Iterable[Quantity]:
    voxel = s.voxel_mm
    for t in sorted(s.account.teeth, key=lambda t: -t.confidence):
        if t.emergence == "in_crypt":  # a crown that is still forming has no size to compare
            continue
        name = f"{t.side} {t.jaw} {t.name}"
        if t.completeness in ("complete", "worn"):
            yield _of_tooth(t, f"length of {name}", t.length_mm, voxel, "mm", 1, "teeth.size")
            yield _of_tooth(t, f"width of {name}", t.width_mm, voxel, "mm", 1, "teeth.size")
        if t.completeness == "complete":
            yield _of_tooth(t, f"crown height of {name}", t.crown_height_mm, voxel, "mm", 1, "teeth.size")
            skin = 1.5 * 4.836 * max(t.volume_mm3, 0.0) ** (2 / 3) if np.isfinite(t.volume_mm3) else np.nan
            yield _of_tooth(t, f"volume of {name}", t.volume_mm3, 0.5 * voxel * skin, "mm3", 3, "teeth.size")


def _of_tooth(t: ToothRecord, name: str, value: float, error: float, unit: str, power: int, method: str) -> Quantity:
    return Quantity("teeth", name, value, error, unit, power, method, t.confidence, (t.part,))


def _openings(s: Compared) -> Iterable[Quantity]:
    for o in sorted(s.account.openings, key=lambda o: -float(o["area_mm2"] or 0.0)):
        side = "" if o["side"] in (None, "midline") else f"{o['side']} "
        parts = () if o.get("part") is None else (int(o["part"]),)
        point = (tuple(float(v) for v in s.skull(o["centroid_mm_xyz"])),)
        sure = float(o["confidence"])
        method = {
            "foramen magnum": "braincase.magnum",
            "oval window": "ear.window",
            "round window": "ear.window",
        }.get(o["term"], "palate.opening")
        group = {"braincase.magnum": "braincase", "ear.window": "ear"}.get(method, "palate")
        for what, key, unit, power in (
            ("area", "area", "mm2", 2),
            ("length", "length", "mm", 1),
            ("width", "width", "mm", 1),
        ):
            value, error = o.get(f"{key}_{unit}"), o.get(f"{key}_error_{unit}")
            if value is not None and error is not None:
                name = f"{what} of {side}{o['term']}"
                yield Quantity(group, name, float(value), float(error), unit, power, method, sure, parts, point)


def _jaw(s: Compared) -> Iterable[Quantity]:
    for j in s.account.jaw:
        value, error = j.get("angular_process_inflection_deg"), j.get("angular_process_inflection_error_deg")
        if value is not None and error is not None:
            name = f"inflection of the {j['side']} angular process"
            yield Quantity(
                "jaw", name, float(value), float(error), "degree", 0, "jaw.inflection", 0.8, (int(j["part"]),)
            )


def _ear(s: Compared) -> Iterable[Quantity]:
    for e in s.account.ear:
        parts = () if e.get("part") is None else (int(e["part"]),)
        for what, key, tail, unit, power, method in (
            ("volume of the {} labyrinth", "labyrinth_volume", "_mm3", "mm3", 3, "ear.labyrinth"),
            ("turns of the {} cochlea", "cochlear_turns", "", "turns", 0, "ear.labyrinth"),
            ("length of the {} cochlear canal", "cochlear_canal_length", "_mm", "mm", 1, "ear.labyrinth"),
            ("volume of the {} middle ear", "middle_ear_volume", "_mm3", "mm3", 3, "ear.middle"),
            ("area of the {} footplate", "footplate", "_mm2", "mm2", 2, "ear.footplate"),
        ):
            value, error = e.get(f"{key}{tail}"), e.get(f"{key}_error{tail}")
            if value is not None and error is not None:
                name = what.format(e["side"])
                yield Quantity("ear", name, float(value), float(error), unit, power, method, 0.6, parts)


def _lengths(s: Compared) -> Iterable[Quantity]:
    for m in s.account.measurements:
        if m.get("value") is None or m.get("error") is None:
            continue
        points = tuple(tuple(float(v) for v in s.skull(p)) for p in m.get("landmarks", ()))
        unit = str(m["unit"])
        cavities = {"endocranial_volume": "braincase.volume", "volume_of_the_nasal_cavity": "face.nose"}
        method = cavities.get(m["definition"], "measures.length")
        yield Quantity(
            "measurements",
            str(m["name"]),
            float(m["value"]),
            float(m["error"]),
            unit,
            {"mm": 1, "mm2": 2, "mm3": 3}.get(unit, 0),
            method,
            0.8,
            (),
            points,
        )
