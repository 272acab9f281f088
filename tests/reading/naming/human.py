"""Human teeth as an outside check: crown measures of the handbook table of dental anatomy.

Mesiodistal, buccolingual and crown height in mm, means of Black (1902), as reprinted in Wheeler's Dental
Anatomy, Physiology and Occlusion (values from memory); roots as every handbook has them. Premolars are P3
and P4.
"""

from __future__ import annotations

from ossicle.reading.records import Jaw, Side, ToothObservation

# (class, position, generation): (mesiodistal, buccolingual, crown height, roots, cusps)
Measures = tuple[float, float, float, int, int]
Key = tuple[str, int, str]

UPPER: dict[Key, Measures] = {
    ("incisor", 1, "permanent"): (8.5, 7.0, 10.5, 1, 1),
    ("incisor", 2, "permanent"): (6.5, 6.0, 9.0, 1, 1),
    ("canine", 1, "permanent"): (7.5, 8.0, 10.0, 1, 1),
    ("premolar", 3, "permanent"): (7.0, 9.0, 8.5, 2, 2),
    ("premolar", 4, "permanent"): (7.0, 9.0, 8.5, 1, 2),
    ("molar", 1, "permanent"): (10.0, 11.0, 7.5, 3, 4),
    ("molar", 2, "permanent"): (9.0, 11.0, 7.0, 3, 4),
    ("molar", 3, "permanent"): (8.5, 10.0, 6.5, 3, 3),
    ("incisor", 1, "deciduous"): (6.5, 5.0, 6.0, 1, 1),
    ("incisor", 2, "deciduous"): (5.1, 4.0, 5.6, 1, 1),
    ("canine", 1, "deciduous"): (7.0, 7.0, 6.5, 1, 1),
    ("premolar", 3, "deciduous"): (7.3, 8.5, 5.1, 3, 3),
    ("premolar", 4, "deciduous"): (8.2, 10.0, 5.7, 3, 4),
}
LOWER: dict[Key, Measures] = {
    ("incisor", 1, "permanent"): (5.0, 6.0, 9.0, 1, 1),
    ("incisor", 2, "permanent"): (5.5, 6.5, 9.5, 1, 1),
    ("canine", 1, "permanent"): (7.0, 7.5, 11.0, 1, 1),
    ("premolar", 3, "permanent"): (7.0, 7.5, 8.5, 1, 2),
    ("premolar", 4, "permanent"): (7.0, 8.0, 8.0, 1, 3),
    ("molar", 1, "permanent"): (11.0, 10.5, 7.5, 2, 5),
    ("molar", 2, "permanent"): (10.5, 10.0, 7.0, 2, 4),
    ("molar", 3, "permanent"): (10.0, 9.5, 7.0, 2, 5),
    ("incisor", 1, "deciduous"): (4.2, 4.0, 5.0, 1, 1),
    ("incisor", 2, "deciduous"): (4.1, 4.0, 5.2, 1, 1),
    ("canine", 1, "deciduous"): (5.0, 4.8, 6.0, 1, 1),
    ("premolar", 3, "deciduous"): (7.7, 7.0, 6.0, 2, 4),
    ("premolar", 4, "deciduous"): (9.9, 8.7, 5.5, 2, 5),
}
ORDER = [
    ("incisor", 1),
    ("incisor", 2),
    ("canine", 1),
    ("premolar", 3),
    ("premolar", 4),
    ("molar", 1),
    ("molar", 2),
    ("molar", 3),
]

# State of each tooth at about six years, when the first molars are through and the lower central incisors
# change: emergence
# fraction and root fraction (order of AlQahtani et al. 2010, AJPA 142:481).
SIX_YEARS: dict[Key, tuple[float, float]] = {
    **{(c, p, "deciduous"): (1.0, 1.0) for c, p in ORDER if c != "molar"},
    **{(c, p, "permanent"): (0.0, 0.2) for c, p in ORDER if c != "molar"},
    ("molar", 1, "permanent"): (0.9, 0.6),
    ("molar", 2, "permanent"): (0.0, 0.0),
}
ADULT: dict[Key, tuple[float, float]] = {(c, p, "permanent"): (1.0, 1.0) for c, p in ORDER}


def observe(states: dict[Key, tuple[float, float]]) -> tuple[list[ToothObservation], dict[int, Key]]:
    """Return a dentition's observations, teeth touching one another, and what each is."""
    found: list[ToothObservation] = []
    truth: dict[int, Key] = {}
    sides: tuple[Side, Side] = ("left", "right")
    rows: tuple[tuple[Jaw, dict[Key, Measures]], ...] = (("upper", UPPER), ("lower", LOWER))
    for jaw, table in rows:
        for side in sides:
            arc = 0.0
            for tooth_class, position in ORDER:
                here = [
                    key
                    for key in ((tooth_class, position, "deciduous"), (tooth_class, position, "permanent"))
                    if key in states
                ]
                if not here:
                    continue
                room = max(table[key][0] for key in here)
                for key in here:
                    length, width, height, roots, cusps = table[key]
                    shown, root = states[key]
                    part = len(found) + 1
                    depth = height * (shown - 0.5) if shown > 0 else -1.2 * height
                    up = -1.0 if jaw == "upper" else 1.0
                    place = (20.0 if side == "left" else -20.0, up * depth, 20.0 - arc - room / 2)
                    found.append(
                        ToothObservation(
                            part=part,
                            jaw=jaw,
                            side=side,
                            arc_mm=arc + room / 2,
                            offset_mm=0.0 if shown > 0 else -1.5,
                            depth_mm=depth,
                            centroid_skull_mm=place,
                            crown_centroid_skull_mm=place,
                            axis=(0.0, up, 0.0),
                            length_mm=length,
                            width_mm=width,
                            crown_height_mm=height,
                            volume_mm3=length * width * height * 0.9,
                            crown_volume_mm3=length * width * height * 0.6,
                            enamel_volume_mm3=length * width * height * 0.2,
                            emergence_fraction=shown,
                            root_fraction=root,
                            root_count=roots if root > 0.3 else None,
                            cusp_count=cusps,
                            mineralised=0.95,
                            in_premaxilla=None,
                            touches_edge=False,
                            detection=0.95,
                        )
                    )
                    truth[part] = key
                arc += room
    return found, truth
