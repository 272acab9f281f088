"""Shape statistics on landmarks: pure functions on arrays (specimens, landmarks, dimensions)."""

from __future__ import annotations

from .groups import GroupTest, goodall, hotelling, mean_shape, permuted
from .procrustes import Fit, Superimposed, centroid_size, distance, fit, shape_dimensions, superimpose, tangent
from .symmetry import Effect, Symmetry, mirror_order, symmetry
from .tables import Landmarks, landmarks_csv, landmarks_from_csv, read_landmarks
from .variation import Allometry, Components, allometry, components

__all__ = [
    "Allometry",
    "Components",
    "Effect",
    "Fit",
    "GroupTest",
    "Landmarks",
    "Superimposed",
    "Symmetry",
    "allometry",
    "centroid_size",
    "components",
    "distance",
    "fit",
    "goodall",
    "hotelling",
    "landmarks_csv",
    "landmarks_from_csv",
    "mean_shape",
    "mirror_order",
    "permuted",
    "read_landmarks",
    "shape_dimensions",
    "superimpose",
    "symmetry",
    "tangent",
]
