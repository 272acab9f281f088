"""Hints are told in scan mm; the reading works on a part of the scan, on a grid of its own."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from ossicle.reading import hints as h
from ossicle.reading import pipeline, read
from ossicle.reading.isolate import label_near, nothing, unknown_pose

HINTS = h.Hints(
    names=(h.NameTooth((10.0, 9.0, 8.0), "P2"),),
    joins=(h.Join(((10.0, 9.0, 8.0), (11.0, 9.0, 8.0))),),
    cuts=(h.Cut((10.0, 9.0, 8.0), ((10.0, 9.0, 8.0), (12.0, 9.0, 8.0))),),
    discards=(h.Discard((10.0, 9.0, 8.0)),),
    missed=(h.MissedTooth((10.0, 9.0, 8.0)),),
    midplane=h.Midplane(((10.0, 9.0, 8.0),), (0.0, 1.0, 0.0)),
    sides=(h.SideIs((10.0, 9.0, 8.0), "left"),),
    landmarks=(h.PlaceLandmark("basion", (10.0, 9.0, 8.0)),),
)


def test_shifted_moves_every_point_and_no_direction() -> None:
    moved = h.shifted(HINTS, (1.0, 2.0, 3.0))
    assert moved.midplane is not None
    at = (9.0, 7.0, 5.0)
    assert (moved.names[0].point_mm, moved.names[0].name) == (at, "P2")
    assert moved.joins[0].points_mm == (at, (10.0, 7.0, 5.0))
    assert (moved.cuts[0].point_mm, moved.cuts[0].seeds_mm[1]) == (at, (11.0, 7.0, 5.0))
    assert (moved.discards[0].point_mm, moved.missed[0].point_mm, moved.sides[0].point_mm) == (at, at, at)
    assert (moved.midplane.points_mm, moved.midplane.up_mm) == ((at,), (0.0, 1.0, 0.0))
    assert (moved.landmarks[0].name, moved.landmarks[0].point_mm) == ("basion", at)
    assert h.shifted(HINTS, (0.0, 0.0, 0.0)) == HINTS


def test_hints_reach_the_isolation_in_the_mm_of_its_own_grid(monkeypatch: pytest.MonkeyPatch) -> None:
    """A bar stands at one end of a wide scan: the reading works on a part that does not begin at the first voxel."""
    volume = np.random.default_rng(0).normal(100, 5, (60, 80, 100)).astype(np.float32)
    volume[40:52, 50:60, 60:90] += 900
    seen: dict[str, Any] = {}

    def isolate(normal: Any, levels: Any, grid: Any, between: Any, right_handed: bool, hints: h.Hints, *_: Any) -> Any:
        seen.update(hints=hints, grid=grid)
        return nothing(normal.values.shape, unknown_pose(), 0.0, "nothing was asked for")

    monkeypatch.setattr(pipeline, "_isolate", isolate)
    point = (37.0, 27.0, 23.0)  # index (74, 54, 46) of 0.5 mm: within the bar
    reading = read(volume, (0.5, 0.5, 0.5), hints=h.Hints(names=(h.NameTooth(point, "P2"),)), threads=1)
    grid = seen["grid"]
    assert min(grid.start) > 10
    told = np.array(seen["hints"].names[0].point_mm[::-1]) / np.array(grid.spacing_mm_zyx)
    z, y, x = np.rint(told).astype(int)
    assert grid.grey[z, y, x] > 900
    assert reading.labels.shape == volume.shape


def test_a_label_is_found_at_its_margin_and_not_from_afar() -> None:
    labels = np.zeros((12, 12, 12), np.int32)
    labels[2:5, 2:5, 2:5], labels[2:5, 2:5, 8:10] = 3, 7
    spacing = np.array([0.5, 0.5, 0.5])
    assert label_near(labels, spacing, (1.5, 1.5, 1.5)) == 3
    assert label_near(labels, spacing, (2.5, 1.5, 1.5)) == 3  # one voxel beyond
    assert label_near(labels, spacing, (3.5, 1.5, 1.5)) == 7
    assert label_near(labels, spacing, (1.5, 4.5, 4.5)) == 0
    assert label_near(labels, spacing, (99.0, 99.0, 99.0)) == 0
