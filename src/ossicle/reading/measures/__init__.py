"""Measures of isolated teeth, taken on the grey values at a scale finer than voxels.

They bring SciPy and scikit-image along, so they are loaded when they are asked for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import lazy_loader

if TYPE_CHECKING:
    from .teeth import ToothMeasures, measure_all, measure_teeth

__all__ = ["ToothMeasures", "measure_all", "measure_teeth"]
__getattr__, _, _ = lazy_loader.attach(__name__, submod_attrs={"teeth": __all__})
