"""All pictures of a specimen's structures, by a name that begins with the region it belongs to."""

from __future__ import annotations

from collections.abc import Sequence

from .looks import body_look, braincase_look, ear_look, jaw_look, palate_look
from .looks_ear import labyrinth_look, middle_ear_look, section_look
from .looks_face import nose_look, occiput_look, suture_look
from .records import Braincase, Ear, JawHalf, Look, Measured, NasalCavity, Palate, Suture
from .space import Space

__all__ = ["looks_of"]


def looks_of(
    space: Space,
    palate: Palate | None,
    jaws: Sequence[JawHalf],
    ears: Sequence[Ear],
    brain: Braincase | None,
    nose: NasalCavity | None,
    sutures: Sequence[Suture],
    measured: Sequence[Measured],
) -> dict[str, Look]:
    """Pictures of what was read; ``space`` holds the labels with cavities, openings and ossicles laid in."""
    looks: dict[str, Look | None] = {}
    if palate is not None:
        looks["palate"] = palate_look(palate)
    for j in jaws:
        looks[f"jaw {j.side}"] = jaw_look(space, j)
        looks[f"jaw {j.side} body"] = body_look(space, j)
    for ear in ears:
        looks[f"ear {ear.side}"] = ear_look(space, ear)
        looks[f"ear {ear.side} labyrinth"] = labyrinth_look(space, ear)
        looks[f"ear {ear.side} middle"] = middle_ear_look(space, ear)
        looks[f"ear {ear.side} section"] = section_look(space, ear)
    if brain is not None:
        looks["braincase"] = braincase_look(space, brain)
        looks["braincase occiput"] = occiput_look(space, brain, measured)
    if nose is not None:
        looks["braincase nose"] = nose_look(space, nose)
    for suture in sutures:
        looks[f"braincase suture {suture.side}"] = suture_look(suture)
    return {name: look for name, look in looks.items() if look is not None}
