"""Spongy bone with marrow spaces, and the density of bone before teeth are painted."""

from __future__ import annotations

from typing import TYPE_CHECKING

import edt
import numpy as np

from .canvas import Canvas, Texture

if TYPE_CHECKING:
    from .build import Animal, Options


def hollow(canvas: Canvas, a: Animal, o: Options, fine: Texture, coarse: Texture) -> None:
    """Turn bone deeper than the cortex into struts and marrow; fill the density volume (bone 1, air 0)."""
    solid = (canvas.tissue == 2) | (canvas.tissue == 7)
    depth = edt.edt(solid, anisotropy=(canvas.voxel,) * 3, parallel=1)
    cortex = 0.011 * a.length
    space = 6 if o.wet else 0
    table = np.zeros(8, np.float32)
    for code, level in a.levels.items():
        table[code] = level
    for box in canvas.slabs():
        x, y, z = canvas.coords(box)
        tis = canvas.tissue[box]
        c = coarse(x, y, z)
        strut = coarse(x * 1.9, y * 1.9, z * 1.9)
        deep = (depth[box] > cortex * (1 + 0.25 * c)) & (tis == 2)
        open_ = deep & (np.abs(strut) > 0.45)
        bone = (tis == 2) & ~open_
        tis[open_] = space
        if o.wet:
            tis[(tis == 0)] = 6
        den = table[tis]
        den[bone] *= 0.94 + 0.05 * c[bone] + 0.03 * fine(x, y, z)[bone]
        den[open_] = 0.22 if o.wet else 0.08
        tis[tis == 7] = 2
        canvas.density[box] = den
