"""One side of a specimen mirrored onto the other: how far left and right of a part lie apart."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from ossicle.errors import OssicleError

from .registration import Placement, mirrored_side
from .report import placement_to_dict
from .specimens import Compared, part_numbers
from .surfaces import Apart, Surface, apart, surface_of

__all__ = ["Sides", "one_side_on_the_other"]


@dataclass(frozen=True)
class Sides:
    """A part's left surface laid on its right one, both in skull mm; ``apart`` belongs to the vertices of ``left``."""

    specimen: str
    name: str
    placement: Placement
    left: Surface
    apart: Apart
    volumes_mm3: tuple[float, float]

    def text(self) -> str:
        """Return what was found, in a few sentences."""
        a, (one, other) = self.apart, self.volumes_mm3
        return (
            f"The left {self.name} of {self.specimen} was mirrored at the midplane and laid on the right one by "
            f"surfaces: {self.placement.count} points, root mean square {self.placement.rms:.3f} mm apart.\n"
            f"Over both surfaces they lie {a.both_ways_rms:.3f} mm apart (root mean square), 95 % of the left one "
            f"within {a.p95:.3f} mm, at most {a.greatest:.3f} mm; on the mean the left one lies {abs(a.mean):.3f} mm "
            f"{'outside' if a.mean > 0 else 'inside'} the right one.\n"
            f"Volumes: left {one:.2f} mm3, right {other:.2f} mm3 ({100 * (one / other - 1):+.1f} %). A difference "
            "under the voxel size tells nothing.\n"
        )

    def as_dict(self) -> dict[str, Any]:
        """Return the same as JSON values; lengths in mm, volumes in mm3."""
        return {
            "specimen": self.specimen,
            "part": self.name,
            "placement": placement_to_dict(self.placement),
            "apart_mm": {
                "mean": self.apart.mean,
                "rms": self.apart.rms,
                "p95": self.apart.p95,
                "greatest": self.apart.greatest,
                "both_ways_rms": self.apart.both_ways_rms,
            },
            "volume_mm3": {"left": self.volumes_mm3[0], "right": self.volumes_mm3[1]},
        }


def one_side_on_the_other(s: Compared, name: str) -> Sides:
    """Mirror the left part of that name ('dentary', 'upper P4') at the midplane and lay it on the right one.

    Closest points to the tangent plane, trimmed (see `closest_points`); the mirror plane is that of the pose, and only
    where to begin: the parts are laid on each other freely.

    Raises
    ------
    OssicleError
        The specimen has no such part on one of the sides.
    """
    plain = " ".join(word for word in name.split() if word.lower() not in ("left", "right"))
    if not plain:
        raise OssicleError(f"{name!r} names no part", where=s.name, mend="name one, as 'dentary' or 'upper P4'")
    one, other = part_numbers(s, f"left {plain}"), part_numbers(s, f"right {plain}")
    placement = mirrored_side(s, one, other)
    volume = {p.part: p.volume_mm3 for p in s.account.parts}
    left = surface_of(s, one).moved(placement.matrix)
    found = apart(left, surface_of(s, other))
    sizes = sum(volume[n] for n in one), sum(volume[n] for n in other)
    return Sides(s.name, plain, placement, left, found, sizes)
