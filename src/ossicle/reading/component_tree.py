"""Components of a grey volume at many levels, and how they nest.

A tooth is seldom cut out by one threshold, but for nearly every tooth there is some level at which it stands alone.
The tree holds the connected components of ``values > level`` over a ladder of levels; the reading then chooses nodes,
not a level. The idea is the component tree of mathematical morphology (Salembier, Oliveras & Garrido 1998, IEEE
Trans. Image Process. 7:555), sampled at given levels.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import cc3d
import numpy as np
import numpy.typing as npt

__all__ = ["ComponentTree", "build_tree"]

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class ComponentTree:
    """Nodes of the tree, one row a node, lower levels first.

    Attributes
    ----------
    level
        Index into ``thresholds``.
    parent
        Row of the component at the next lower level that holds this one, -1 for roots.
    seed
        Flat index of one voxel of the component (its brightest).
    count
        Voxels.
    lower, upper
        (n, 3) bounding box, upper exclusive, in (z, y, x).
    mean
        (n, 3) centroid in voxels (z, y, x).
    covariance
        (n, 3, 3) second central moments in voxels squared.
    sums
        Sum over the component of each extra field given to `build_tree`, by name.
    peak
        Greatest value in the component.
    faces, open_faces
        Voxel faces on the component's boundary, and how many of them look onto a gap: within two voxels along the
        face's normal the values fall below ``gap``. Their ratio says how far the component stands alone.
    """

    thresholds: FloatArray
    level: IntArray
    parent: IntArray
    seed: IntArray
    count: IntArray
    lower: IntArray
    upper: IntArray
    mean: FloatArray
    covariance: FloatArray
    sums: dict[str, FloatArray]
    peak: FloatArray
    faces: IntArray
    open_faces: IntArray
    shape: tuple[int, int, int]

    def __len__(self) -> int:
        return len(self.level)

    def children(self) -> list[list[int]]:
        """Return the rows of the children of every node."""
        kids: list[list[int]] = [[] for _ in range(len(self))]
        for node, parent in enumerate(self.parent):
            if parent >= 0:
                kids[parent].append(node)
        return kids

    def mask(self, values: npt.NDArray[np.float32], node: int) -> tuple[tuple[slice, ...], npt.NDArray[np.bool_]]:
        """Return the bounding box of ``node`` as slices and its mask within that box."""
        box = tuple(slice(int(a), int(b)) for a, b in zip(self.lower[node], self.upper[node], strict=True))
        labels = cc3d.connected_components(values[box] > self.thresholds[self.level[node]], connectivity=6)
        at = np.array(np.unravel_index(self.seed[node], self.shape)) - self.lower[node]
        return box, labels == labels[tuple(at)]


def _components(
    values: npt.NDArray[np.float32], threshold: float
) -> tuple[npt.NDArray[np.uint32], npt.NDArray[np.int64], npt.NDArray[np.uint32]]:
    labels = cc3d.connected_components(values > threshold, connectivity=6, out_dtype=np.uint32)
    index = np.flatnonzero(labels)
    return labels, index, labels.ravel()[index]


def build_tree(
    values: npt.NDArray[np.float32],
    thresholds: Sequence[float],
    *,
    minimum: int = 8,
    maximum: int | None = None,
    gap: float = -np.inf,
    fields: dict[str, npt.NDArray[np.float32]] | None = None,
    tick: Callable[[], None] | None = None,
) -> ComponentTree:
    """Build the tree of 6-connected components of ``values > t`` over rising ``thresholds``.

    Components under ``minimum`` voxels are left out, and so are those over ``maximum`` (their children keep parent
    -1). ``fields`` are volumes of the same shape, summed over each component. ``tick`` is called after each level and
    may raise to cancel. Memory: about 16 bytes a voxel beside the input.
    """
    fields = fields or {}
    shape = values.shape
    strides = np.array([shape[1] * shape[2], shape[2], 1])
    rows: list[dict[str, npt.NDArray[np.float64]]] = []
    previous: npt.NDArray[np.uint32] | None = None
    previous_node = np.zeros(1, np.int64)
    total = 0
    flat = values.ravel()
    looks_onto_gap = _gap_by_direction(values, gap) if np.isfinite(gap) else None
    for step, threshold in enumerate(thresholds):
        labels, index, which = _components(values, float(threshold))
        count = np.bincount(which, minlength=1)
        keep = count >= minimum
        keep[0] = False
        if maximum is not None:
            keep &= count <= maximum
        node = np.full(len(count), -1, np.int64)
        kept = np.flatnonzero(keep)
        node[kept] = total + np.arange(len(kept))
        inside = keep[which]
        index, which = index[inside], which[inside]
        if len(kept):
            place = np.zeros(len(count), np.int64)
            place[kept] = np.arange(len(kept))
            local = place[which]
            rows.append(_measure(index, local, len(kept), strides, flat, fields))
            rows[-1]["faces"], rows[-1]["open"] = _faces(
                index, local, len(kept), strides, shape, labels.ravel(), looks_onto_gap
            )
            rows[-1]["level"] = np.full(len(kept), float(step))
            seeds = rows[-1]["seed"].astype(np.int64)
            if previous is None:
                rows[-1]["parent"] = np.full(len(kept), -1.0)
            else:
                rows[-1]["parent"] = previous_node[previous.ravel()[seeds]].astype(float)
            total += len(kept)
        previous, previous_node = labels, node
        if tick is not None:
            tick()
    return _assemble(rows, np.asarray(thresholds, float), (shape[0], shape[1], shape[2]), tuple(fields))


def _measure(
    index: IntArray,
    local: IntArray,
    n: int,
    strides: IntArray,
    flat: npt.NDArray[np.float32],
    fields: dict[str, npt.NDArray[np.float32]],
) -> dict[str, npt.NDArray[np.float64]]:
    out: dict[str, npt.NDArray[np.float64]] = {}
    count = np.bincount(local, minlength=n)
    coordinates = (index // strides[0], index % strides[0] // strides[1], index % strides[1])
    grey = flat[index]
    order = np.lexsort((grey, local))
    last = np.cumsum(count) - 1
    out["seed"] = index[order[last]].astype(float)
    out["peak"] = grey[order[last]].astype(float)
    out["count"] = count.astype(float)
    starts = last - count + 1
    for axis, values in enumerate(coordinates):
        by_node = values[order]
        out[f"lower{axis}"] = np.minimum.reduceat(by_node, starts).astype(float)
        out[f"upper{axis}"] = np.maximum.reduceat(by_node, starts).astype(float) + 1
        out[f"mean{axis}"] = np.bincount(local, values, minlength=n) / count
    for a, b in _pairs():
        product = (coordinates[a] - out[f"mean{a}"][local]) * (coordinates[b] - out[f"mean{b}"][local])
        out[f"cov{a}{b}"] = np.bincount(local, product, minlength=n) / count
    for name, volume in fields.items():
        out["field " + name] = np.bincount(local, volume.ravel()[index], minlength=n).astype(float)
    return out


def _gap_by_direction(values: npt.NDArray[np.float32], gap: float) -> list[npt.NDArray[np.bool_]]:
    """Per face direction (-z, +z, -y, +y, -x, +x): is a value below ``gap`` within two voxels that way?"""
    low = np.pad(values < gap, 2, constant_values=True)
    out = []
    for axis in range(3):
        for sign in (-1, 1):
            take = [[slice(2, -2)] * 3 for _ in (1, 2)]
            for distance, window in enumerate(take, start=1):
                start = 2 + sign * distance
                window[axis] = slice(start, start + values.shape[axis])
            out.append(low[tuple(take[0])] | low[tuple(take[1])])
    return out


def _faces(
    index: IntArray,
    local: IntArray,
    n: int,
    strides: IntArray,
    shape: tuple[int, ...],
    labels: npt.NDArray[np.uint32],
    looks_onto_gap: list[npt.NDArray[np.bool_]] | None,
) -> tuple[FloatArray, FloatArray]:
    faces = np.zeros(n)
    open_faces = np.zeros(n)
    for direction in range(6):
        axis, sign = direction // 2, (-1, 1)[direction % 2]
        at = index // strides[axis] % shape[axis]
        edge = at == (0 if sign < 0 else shape[axis] - 1)
        neighbour = np.where(edge, index, index + sign * strides[axis])
        outside = edge | (labels[neighbour] == 0)
        faces += np.bincount(local[outside], minlength=n)
        if looks_onto_gap is not None:
            opened = outside & looks_onto_gap[direction].ravel()[index]
            open_faces += np.bincount(local[opened], minlength=n)
    return faces, open_faces


def _pairs() -> Iterator[tuple[int, int]]:
    return ((a, b) for a in range(3) for b in range(a, 3))


def _assemble(
    rows: list[dict[str, npt.NDArray[np.float64]]],
    thresholds: FloatArray,
    shape: tuple[int, int, int],
    names: tuple[str, ...],
) -> ComponentTree:
    def column(name: str) -> FloatArray:
        return np.concatenate([row[name] for row in rows]) if rows else np.zeros(0)

    covariance = np.zeros((len(column("level")), 3, 3))
    for a, b in _pairs():
        covariance[:, a, b] = covariance[:, b, a] = column(f"cov{a}{b}")
    return ComponentTree(
        thresholds=thresholds,
        level=column("level").astype(np.int64),
        parent=column("parent").astype(np.int64),
        seed=column("seed").astype(np.int64),
        count=column("count").astype(np.int64),
        lower=np.stack([column(f"lower{a}") for a in range(3)], axis=-1).astype(np.int64),
        upper=np.stack([column(f"upper{a}") for a in range(3)], axis=-1).astype(np.int64),
        mean=np.stack([column(f"mean{a}") for a in range(3)], axis=-1),
        covariance=covariance,
        sums={name: column("field " + name) for name in names},
        peak=column("peak"),
        faces=column("faces").astype(np.int64),
        open_faces=column("open").astype(np.int64),
        shape=shape,
    )
