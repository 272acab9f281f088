"""Measures of isolated teeth, taken on the grey values at a scale finer than voxels."""

from .teeth import ToothMeasures, measure_all, measure_teeth

__all__ = ["ToothMeasures", "measure_all", "measure_teeth"]
