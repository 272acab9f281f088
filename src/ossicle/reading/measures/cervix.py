"""Where the crown ends and the root begins, from the surface's brightness and the tooth's cross-section along its
axis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["AxialProfile", "find_cervix"]

FloatArray = npt.NDArray[np.float64]

SHARE = 0.45
"""Share of the way from dentine to the crown's bright tail at which brightness counts as enamel in full."""
BARE = 0.25
"""Quantile of the rings below the enamel that stands for bare root."""
EDGE = 0.2
"""Enamel begins where a ring has come this share of the way from bare root to crown: low, as enamel thins out to the
cervix."""
SHORT, WIDE = 0.6, 0.8
"""A dim rim shorter than this share of the crown and wider than that share of its cross-section is thin enamel of a
growing cap, no root."""
FLARED = 0.8
"""A crypt tooth whose dim rim is wider than this share of the rest in outline is a cap whose rim flares; roots draw
in."""
FORKED = 0.7
"""Share of the greatest cross-section that roots leave of it below the fork; the cervix lies above."""


@dataclass(frozen=True)
class AxialProfile:
    """A tooth in slices across its axis, from the root's end (first) to the tip.

    ``low`` is the first slice's lower edge and ``step`` their height (mm); ``ring`` the mean peak grey beneath the
    slice's surface, ``shown`` the same with each peak held between dentine and somewhat above it, ``weight`` the
    slice's surface (mm2), ``section`` the tooth's cross-section in the slice's middle (mm2).
    """

    low: float
    step: float
    ring: FloatArray
    shown: FloatArray
    weight: FloatArray
    section: FloatArray
    girth: FloatArray

    @classmethod
    def of(
        cls, own: FloatArray, facing: FloatArray, area: FloatArray, bright: FloatArray, dentine: float, top: float
    ) -> AxialProfile:
        """Cut a closed surface into slices.

        ``own`` (n, 3) are its vertices in the crown's frame, heights last, ``facing`` how far their outward normals
        point up it (-1 to 1), ``area`` their shares of area, ``bright`` the peaks beneath. The cross-section at a
        height is the flux through the surface below it (Gauss).
        """
        up = own[:, 2]
        low, high = float(up.min()), float(up.max())
        bins = int(np.clip(round(len(up) / 30), 8, 80))
        index = np.minimum(((up - low) / (high - low + 1e-9) * bins).astype(int), bins - 1)

        def total(values: FloatArray) -> FloatArray:
            return np.asarray(np.bincount(index, values, bins), float)

        weight = total(area) + 1e-12
        held = np.clip(bright, dentine, dentine + SHARE * (top - dentine))
        flux = -np.cumsum(total(area * facing))
        section = np.maximum((flux + np.concatenate([[0.0], flux[:-1]])) / 2, 0.0)
        return cls(
            low, (high - low) / bins, _smooth(total(area * bright) / weight), total(area * held) / weight, weight,
            _smooth(section),
            _smooth(_spans(own[:, 0], index, bins) * _spans(own[:, 1], index, bins)),
        )  # fmt: skip

    def bare(self) -> float:
        """Grey of the bare root: the median ring of the root's third, the very end left out."""
        bins = len(self.ring)
        return float(np.median(self.ring[bins // 12 : max(bins // 12 + 1, bins // 3)]))

    def height(self, slices: float) -> float:
        """Height on the axis of a place counted in slices from the root's end."""
        return self.low + slices * self.step


def find_cervix(profile: AxialProfile, least: float, in_crypt: bool = False) -> tuple[float, bool]:
    """Return the height at which enamel begins, and whether there is a root below it.

    First the height that best parts a surface brighter than dentine from one that is not (greatest variance between
    two classes, Otsu 1979, along the axis); where nothing is brighter than dentine, brighter from dimmer. Then, as
    enamel thins out, down to where rings are hardly brighter than those below. The fork of the roots bounds it from
    below, and where the tooth forks at once below its widest place that place bounds it from above. A slender tooth
    whose enamel does not show is cut at the neck. ``least`` is the contrast that counts.
    ``in_crypt`` tells that the tooth has not emerged: what is dim and wide at its lower end is then taken for thin
    enamel, not for a root.
    """
    bins = len(profile.ring)
    first = _best_cut(profile.shown, profile.weight, 0.6 * SHARE * least)
    lowest, highest = _fork(profile.section)
    if not first:
        first = _best_cut(profile.ring, profile.weight, least)
        neck = _neck(profile.section)
        if neck and first < 0.35 * bins:
            return profile.height(neck), True
        if not first:
            return (profile.height((lowest + highest) / 2), True) if highest < bins else (profile.low, False)
    place, found = _descend(profile.ring, profile.weight, first)
    size, split = profile.section, max(1, int(place))
    if place < SHORT * (bins - place) and float(np.median(size[:split])) > WIDE * float(size.max()):
        return profile.low, False
    if in_crypt and float(profile.girth[:split].max()) > FLARED * float(profile.girth[split:].max()):
        return profile.low, False
    place = min(max(place, lowest), highest)
    return profile.height(place), found or lowest > 0


def _smooth(values: FloatArray) -> FloatArray:
    return np.asarray(np.convolve(np.pad(values, 1, mode="edge"), [0.25, 0.5, 0.25], mode="valid"), float)


def _spans(values: FloatArray, index: npt.NDArray[np.intp], bins: int) -> FloatArray:
    """Greatest less least value of each slice."""
    most, least = np.full(bins, -np.inf), np.full(bins, np.inf)
    np.maximum.at(most, index, values)
    np.minimum.at(least, index, values)
    return np.asarray(np.where(np.isfinite(most), most - least, 0.0), float)


def _best_cut(ring: FloatArray, weight: FloatArray, least: float) -> int:
    """First slice of the brighter upper class, 0 where there is no such class."""
    below = np.cumsum(weight)[:-1]
    above = weight.sum() - below
    sum_below = np.cumsum(weight * ring)[:-1]
    step = ((weight * ring).sum() - sum_below) / above - sum_below / below
    best = int(np.argmax(below * above * step * np.abs(step)))
    if step[best] < least or below[best] < 0.04 * weight.sum():
        return 0
    return best + 1


def _descend(ring: FloatArray, weight: FloatArray, first: int) -> tuple[float, bool]:
    """Follow the enamel down from slice ``first`` to where rings come near those of bare root; and whether they do."""
    bins = len(ring)
    depth = max(4, int(0.5 * (bins - first)))
    window = ring[max(0, first - 2 * depth) : max(1, first - depth // 4)]
    crown = float(np.average(ring[first:], weights=weight[first:]))
    bare = float(np.quantile(window, BARE))
    limit = bare + EDGE * (crown - bare)
    k = first
    while k > 0 and ring[k] > limit:
        k -= 1
    part = float(np.clip((limit - ring[k]) / max(ring[k + 1] - ring[k], 1e-9), 0.0, 1.0)) if k + 1 < bins else 0.0
    return k + 0.5 + part, k > 0 or bool(ring[0] <= limit)


def _fork(section: FloatArray) -> tuple[float, float]:
    """Lowest and highest place (in slices) at which the cervix can lie, by the cross-section."""
    bins = len(section)
    widest = int(np.argmax(section))
    thin = np.flatnonzero(section[:widest] < FORKED * section[widest])
    if len(thin) == 0 or thin[-1] < 0.1 * bins:
        return 0.0, float(bins)
    lowest = float(thin[-1] + 1)
    sudden = widest - thin[-1] < 0.3 * bins and thin[-1] > 0.2 * bins
    return lowest, float(widest + 0.5) if sudden else float(bins)


def _neck(section: FloatArray) -> float:
    """Place at which the section has fallen to three quarters of its greatest, towards the root; 0 where there is
    none below the middle part."""
    bins = len(section)
    widest = int(np.argmax(section[bins // 4 :])) + bins // 4
    thin = np.flatnonzero(section[:widest] < 0.75 * section[widest])
    return float(thin[-1] + 1) if len(thin) and thin[-1] > 0.25 * bins else 0.0
