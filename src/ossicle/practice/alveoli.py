"""Sockets and crypts: the bone that a tooth stands in, and the space round it."""

from __future__ import annotations

import numpy as np

from ossicle.practice.noise import ripple
from ossicle.practice.shapes import Array, Solid, f32, placed, smooth_max
from ossicle.practice.teeth import Tooth

__all__ = ["bone_round", "follicle", "gap_at", "opening", "socket"]

F = np.float32


def gap_at(tooth: Tooth, u: Array, v: Array, w: Array, crypt: Array | None = None) -> Array:
    """Width (mm) of the space between tooth and bone: the periodontal gap, irregular and in places closed,
    or the follicle.
    """
    thin = F(tooth.gap) * np.maximum(F(0.8) + F(0.75) * ripple(u, v, w, 2.3, tooth.model.seed + 5), F(0.0))
    if tooth.emergence == "in_crypt":
        return F(tooth.follicle) * (F(1) + F(0.25) * ripple(u, v, w, 1.9, tooth.model.seed + 6))
    if tooth.fraction < 0.999 or tooth.state.root < 0.7:
        # an erupting crown keeps part of its follicle, and the root's end its papilla
        wide = F(0.7 * tooth.follicle)
        low = F(max(tooth.model.front, -tooth.shape.root))
        _, _, w = tooth.model.straight(u, v, w)
        s = np.clip((w + F(0.1)) / F(0.5), F(0), F(1)) + np.clip((low + F(0.7) - w) / F(0.6), F(0), F(1))
        return f32(thin + (wide - thin) * np.minimum(s, F(1)))
    return f32(thin)


def follicle(tooth: Tooth, u: Array, v: Array, w: Array) -> Array:
    """Distance to the tooth with the growing end of its body rounded off, as its follicle is."""
    m = tooth.model
    if m.front < -50:
        return m.body(u, v, w)
    u, v, w = m.straight(u, v, w)
    half = 0.5 * min(tooth.shape.length, tooth.shape.width)
    # the papilla bulges: the end is a dome and no flat cut
    across = (u / F(0.5 * tooth.shape.length)) ** 2 + (v / F(0.5 * tooth.shape.width)) ** 2
    end = F(m.front + 0.25 * half) - F(0.8 * half) * np.maximum(F(1) - across, F(0))
    return smooth_max(m.whole(u, v, w), end - w, 1.1 * half)


def bone_round(tooth: Tooth, wall: float, airway: Solid | None = None) -> Solid:
    """Bone that holds the tooth: its body and space grown by `wall` mm, up to the alveolar margin, in the
    skull's frame.

    Inside `airway` only a thin scale of it stands.
    """
    # the wall of a crypt is thinner than that of an alveolus
    reach = 0.75 * wall + tooth.follicle if tooth.emergence == "in_crypt" else wall + tooth.gap
    m = tooth.model
    to = tooth.to_skull.astype(F)

    def field(u: Array, v: Array, w: Array) -> Array:
        near = follicle(tooth, u, v, w)
        d = smooth_max(near - F(reach), w - F(tooth.crest), 0.15)
        if airway is not None:
            x, y, z = (to[i, 0] * u + to[i, 1] * v + to[i, 2] * w + to[i, 3] for i in range(3))
            d = np.maximum(d, np.minimum(-airway(x, y, z), near - F(reach - wall + 0.16)))
        return d

    hi = m.hi + reach
    hi[2] = min(hi[2], tooth.crest + 0.1)
    return placed(Solid(field, m.lo - reach - 0.3, hi + 0.1), tooth.to_skull)


def socket(tooth: Tooth) -> Solid:
    """The space that tooth and gap take from the bone, below the alveolar margin and in a crypt."""
    m = tooth.model
    reach = 0.6

    def field(u: Array, v: Array, w: Array) -> Array:
        return np.minimum(m.body(u, v, w), follicle(tooth, u, v, w)) - gap_at(tooth, u, v, w)

    return placed(Solid(field, m.lo - reach - 0.3, m.hi + reach), tooth.to_skull)


def opening(tooth: Tooth) -> Solid:
    """Clear space round the emerged part of a crown."""
    m = tooth.model

    def field(u: Array, v: Array, w: Array) -> Array:
        return smooth_max(m.body(u, v, w) - F(0.42), F(tooth.crest + 0.04) - w, 0.1)

    return placed(Solid(field, m.lo - 0.42, m.hi + 0.42), tooth.to_skull)
