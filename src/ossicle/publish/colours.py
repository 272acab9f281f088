"""Colours of parts, the same as on the desk's stage (``web/src/parts/colours.ts``).

After the palette of Okabe & Ito 2008 ("Color Universal Design"), lightened so that light and shade still show form.
They stay apart for the common kinds of colour blindness, and nothing is told by colour alone.
"""

from __future__ import annotations

from typing import Literal

from ossicle.reading.records import Part, ToothRecord

from .groups import group_of

__all__ = ["BONE", "CLASS", "GENERATION", "GREYS", "REST", "Colouring", "Rgb", "colour_of", "linear"]

Rgb = tuple[float, float, float]
Colouring = Literal["generation", "class", "grey"]

BONE: Rgb = (0.87, 0.83, 0.75)
GENERATION: dict[str, Rgb] = {
    "permanent": (0.5, 0.71, 0.88),
    "deciduous": (0.95, 0.74, 0.36),
    "unreplaced": (0.42, 0.77, 0.64),
}
CLASS: dict[str, Rgb] = {
    "incisor": (0.5, 0.76, 0.93),
    "canine": (0.89, 0.5, 0.28),
    "premolar": (0.32, 0.73, 0.6),
    "molar": (0.94, 0.72, 0.32),
}
REST: dict[str, Rgb] = {
    "bone": BONE,
    "tooth": (0.9, 0.88, 0.8),
    "crypt_crown": (0.9, 0.88, 0.8),
    "enamel": (0.96, 0.95, 0.92),
    "cavity": (0.82, 0.62, 0.74),
    "opening": (0.88, 0.46, 0.22),
    "ossicle": (0.93, 0.87, 0.4),
    "fragment": (0.62, 0.62, 0.62),
    "foreign": (0.35, 0.36, 0.4),
}
GREYS = {"permanent": 0.72, "deciduous": 0.45, "unreplaced": 0.58}
"""Greys of generations, for journals that print in black."""


def colour_of(part: Part, tooth: ToothRecord | None, by: Colouring = "generation") -> Rgb:
    """Return the colour (sRGB, 0 to 1) of a part."""
    rest = REST[group_of(part, tooth)]
    if by == "grey":
        light = GREYS[tooth.generation] if tooth is not None else {"bone": 0.86, "cavity": 0.6}.get(part.kind, 0.35)
        return (light, light, light)
    if tooth is None:
        return rest
    body = GENERATION[tooth.generation] if by == "generation" else CLASS.get(tooth.tooth_class, rest)
    return (body[0], body[1], body[2])


def linear(colour: Rgb) -> Rgb:
    """Return a colour of sRGB in linear light (IEC 61966-2-1), as glTF wants it."""
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in colour)
    return (r, g, b)
