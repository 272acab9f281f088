"""Facts of characters that bone tells: openings, measurements, the lower jaw, the ear.

A measured value is taken as known to two of its standard errors.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ossicle.anatomy.rules import Span
from ossicle.reading.records import Side

from .basis import SURE, Telling

__all__ = ["BoneFacts"]

RATIO_ERROR = 0.1
"""Standard error of the stapedial ratio as a share of it; the account states none."""


class BoneFacts(Telling):
    """What palate, jaw and ear of an account tell; each method is a fact of `ossicle.anatomy.characters.FACTS`."""

    def opening(self, side: Side, term: str) -> bool | None:
        """Whether an opening was found; None where it is not sure, or the palate was not read."""
        if self._finding("palate/fenestration") is None:
            self._lacks("the palate was not read")
            return None
        named = [o for o in self.account.openings if o["term"] == term and o["side"] in (side, "midline")]
        if not named:
            self.basis.seen[f"no {side} {term} was found"] = None
            return False
        best = max(named, key=lambda o: float(o["confidence"]))
        self._rests_on_row(best, float(best["confidence"]), f"palate/{term.replace(' ', '-')}-")
        self.basis.seen[f"{best['side']} {term}, {float(best['area_mm2']):.2f} mm2"] = None
        return True if float(best["confidence"]) >= SURE else None

    def _rests_on_row(self, row: Mapping[str, Any], confidence: float, stem: str) -> None:
        if row.get("part") is not None:
            self.basis.parts[int(row["part"])] = None
        name = f"{stem}{row['side']}"
        if name in self._findings:
            self._uses(self._findings[name])
        else:
            self.basis.confidence.append(confidence)

    def _of_opening(self, side: Side, term: str, what: str, unit: str) -> Span | None:
        named = [o for o in self.account.openings if o["term"] == term and o["side"] in (side, "midline")]
        if not named:
            self._lacks(f"no {side} {term} was found")
            return None
        best = max(named, key=lambda o: float(o["area_mm2"] or 0.0))
        self._rests_on_row(best, float(best["confidence"]), f"palate/{term.replace(' ', '-')}-")
        return self._told(best, what, unit, f"{best['side']} {term}, {what}")

    def _told(self, row: Mapping[str, Any], name: str, unit: str, said: str) -> Span | None:
        tail = f"_{unit}" if unit else ""
        value, error = row.get(f"{name}{tail}"), row.get(f"{name}_error{tail}")
        if value is None or error is None:
            self._lacks(f"the {said} is not told")
            return None
        self.basis.seen[f"{said}: {float(value):.3g} ± {float(error):.2g}{' ' + unit if unit else ''}"] = None
        return Span.about(float(value), float(error))

    def area(self, side: Side, term: str) -> Span | None:
        """Area of an opening, mm2."""
        return self._of_opening(side, term, "area", "mm2")

    def opening_length(self, side: Side, term: str) -> Span | None:
        """Length of an opening, mm."""
        return self._of_opening(side, term, "length", "mm")

    def measure(self, side: Side, definition: str) -> Span | None:
        """A length by the id of its definition, mm."""
        for m in self.account.measurements:
            if m["definition"] == definition and m.get("side") in (None, side):
                if m.get("value") is None or m.get("error") is None:
                    continue
                for found in self.account.findings:
                    if found.region == "measurements" and found.subject == m["name"]:
                        self._uses(found)
                said = f"{m['name']}: {float(m['value']):.4g} ± {float(m['error']):.2g} {m['unit']}"
                self.basis.seen[said] = None
                return Span.about(float(m["value"]), float(m["error"]))
        self._lacks(f"{definition.replace('_', ' ')} was not measured")
        return None

    def _jaw(self, side: Side) -> Mapping[str, Any] | None:
        row = next((j for j in self.account.jaw if j["side"] == side), None)
        if row is None:
            self._lacks(f"no {side} dentary was read")
        return row

    def angular_process(self, side: Side) -> str | None:
        """``rod``, ``shelf`` or ``absent``."""
        row = self._jaw(side)
        if row is None:
            return None
        self._finding(f"jaw/angle-{side}")
        form = row.get("form")
        if form is None or (form == "absent" and row.get("cut_by_scan_edge")):
            self._lacks(f"the angle of the {side} dentary was not read or is cut")
            return None
        self.basis.seen[f"{side} angular process: {form}"] = None
        return str(form)

    def inflection(self, side: Side) -> Span | None:
        """Turn of the angular process to the middle, degrees."""
        row = self._jaw(side)
        if row is None:
            return None
        self._finding(f"jaw/angle-{side}")
        return self._told(row, "angular_process_inflection", "deg", f"turn of the {side} angular process")

    def symphysis(self) -> str | None:
        """``open`` or ``fused``."""
        found = self._finding("jaw/symphysis")
        if found is None or found.value not in ("open", "fused"):
            self._lacks("the symphysis was not read: it takes both dentaries")
            return None
        self.basis.seen[f"symphysis: {found.value}"] = None
        return str(found.value)

    def mental_foramina(self, side: Side) -> Span | None:
        """How many open on the outer face of the dentary."""
        found = self._finding(f"jaw/mental-foramina-{side}")
        if found is None:
            self._lacks(f"the outer face of the {side} dentary was not read")
            return None
        self.basis.seen[f"{side} mental foramina: {found.value}"] = None
        return Span(float(found.value), float(found.value))

    def _ear(self, side: Side) -> Mapping[str, Any] | None:
        row = next((e for e in self.account.ear if e["side"] == side), None)
        if row is None:
            self._lacks(f"the {side} ear was not read")
        return row

    def stapes(self, side: Side) -> str | None:
        """``present`` or ``absent``."""
        row = self._ear(side)
        if row is None or row["stapes"] == "not_resolved":
            self._lacks(f"the {side} stapes is not resolved")
            return None
        self._finding(f"ear/stapes-{side}")
        return str(row["stapes"])

    def stapedial_ratio(self, side: Side) -> Span | None:
        """Length over width of the oval window."""
        row = self._ear(side)
        if row is None or row.get("stapedial_ratio") is None:
            self._lacks(f"the {side} oval window is not resolved")
            return None
        self._finding(f"ear/oval-window-{side}")
        value = float(row["stapedial_ratio"])
        self.basis.seen[f"{side} oval window, length over width {value:.2f}"] = None
        return Span.about(value, RATIO_ERROR * value)

    def cochlear_turns(self, side: Side) -> Span | None:
        """Turns of the cochlea."""
        row = self._ear(side)
        if row is None:
            return None
        self._finding(f"ear/labyrinth-{side}")
        return self._told(row, "cochlear_turns", "", f"turns of the {side} cochlea")

    def canal_radius(self, side: Side, name: str) -> Span | None:
        """Radius of curvature of a semicircular canal, mm."""
        row = self._ear(side)
        if row is None:
            return None
        self._finding(f"ear/canals-{side}")
        value = (row.get("semicircular_canal_radii_mm") or {}).get(name)
        error = (row.get("semicircular_canal_radii_error_mm") or {}).get(name)
        if value is None or error is None:
            self._lacks(f"the {side} {name} canal is not resolved")
            return None
        self.basis.seen[f"{side} {name} canal, radius {float(value):.2f} ± {float(error):.2f} mm"] = None
        return Span.about(float(value), float(error))
