"""Row strips and projections: where things come to lie in the picture."""

from __future__ import annotations

import numpy as np
import pytest

from ossicle.reading.measures.row_frame import RowFrame
from ossicle.reading.strips import head_views, row_strip

SPACING = (0.2, 0.2, 0.2)
CENTRE = 8.0
TO_SKULL = np.eye(4)
TO_SKULL[:3, 3] = -CENTRE


def balls(places: dict[int, tuple[float, float, float]], radius: float = 0.6) -> tuple[np.ndarray, np.ndarray]:
    """Bright balls at skull places (x, y, z), each its own part."""
    axis = np.arange(81) * 0.2 - CENTRE
    z, y, x = np.meshgrid(axis, axis, axis, indexing="ij", sparse=True)
    labels = np.zeros((81, 81, 81), np.int32)
    for part, (px, py, pz) in places.items():
        labels[(x - px) ** 2 + (y - py) ** 2 + (z - pz) ** 2 <= radius**2] = part
    return (labels > 0).astype(np.float32) * 2, labels


def quarter_circle(radius: float = 5.0, side: float = 1.0) -> np.ndarray:
    """A front quarter of a dental arch about the origin: from (0, 0, r) on the midline to (r, 0, 0) at the
    side."""
    angle = np.linspace(0, np.pi / 2, 60)
    return np.stack([side * radius * np.sin(angle), np.zeros(60), radius * np.cos(angle)], axis=1)


@pytest.mark.parametrize("side", ["left", "right"])
def test_arc_and_offset_on_a_quarter_circle(side: str) -> None:
    sign = 1.0 if side == "left" else -1.0
    row = RowFrame.of(quarter_circle(5.0, sign), "upper", side)  # type: ignore[arg-type]
    for angle in (0.2, 0.7, 1.3):
        outside = 5.5 * np.array([sign * np.sin(angle), 0.3, np.cos(angle)])
        assert row.place(outside) == pytest.approx((5 * angle, 0.5), abs=0.02)
        tangent, cheek = row.directions(outside, 0.4)
        assert cheek == pytest.approx([sign * np.sin(angle), 0, np.cos(angle)], abs=0.02)
        assert tangent == pytest.approx([sign * np.cos(angle), 0, -np.sin(angle)], abs=0.02)
    behind = np.array([sign * 5.0, 0.0, -1.0])
    assert row.place(behind)[0] == pytest.approx(5 * np.pi / 2 + 1, abs=0.05)


@pytest.mark.parametrize("jaw", ["upper", "lower"])
def test_strip_unrolls_the_row(jaw: str) -> None:
    up = 1.0 if jaw == "upper" else -1.0
    angle = 0.9
    on_row = (5 * np.sin(angle), 0.0, 5 * np.cos(angle))
    deep = (5 * np.sin(0.3), 1.6 * up, 5 * np.cos(0.3))
    grey, labels = balls({4: on_row, 7: deep})
    strip = row_strip(grey, labels, SPACING, TO_SKULL, quarter_circle(), jaw)  # type: ignore[arg-type]
    assert strip.projection.shape == strip.section.shape == strip.parts.shape
    assert strip.spacing_mm == 0.2
    here, below = (np.argwhere(strip.parts == p).mean(axis=0) for p in (4, 7))
    assert here[1] * 0.2 == pytest.approx(5 * angle, abs=0.1)
    assert below[1] * 0.2 == pytest.approx(1.5, abs=0.1)
    assert (here[0] - below[0]) * 0.2 == pytest.approx(1.6 * up, abs=0.1)
    assert np.all(strip.projection >= strip.section)


def test_strip_shows_what_lies_beside_the_row_within_its_thickness_only() -> None:
    angle = 0.8
    place = (5.9 * np.sin(angle), 0.0, 5.9 * np.cos(angle))
    grey, labels = balls({4: place, 5: (5 * np.sin(1.2), 0.0, 5 * np.cos(1.2))}, radius=0.4)
    column = round(5 * angle / 0.2)
    thin = row_strip(grey, labels, SPACING, TO_SKULL, quarter_circle(), "upper", thickness_mm=0.6)
    thick = row_strip(grey, labels, SPACING, TO_SKULL, quarter_circle(), "upper", thickness_mm=2.4)
    assert thin.projection[:, column].max() < 0.2
    assert thick.projection[:, column].max() > 1.5


def test_projections_show_each_side_where_it_belongs() -> None:
    grey, _ = balls({1: (5.0, 0.0, 0.0), 2: (0.0, 5.0, 0.0), 3: (0.0, 0.0, 6.0), 4: (0.0, -3.0, -5.0)})
    views = head_views(grey, SPACING, TO_SKULL)

    def thirds(name: str) -> set[tuple[int, int]]:
        image = views[name]
        rows, columns = np.nonzero(image > 1.2)
        share = np.stack([rows / image.shape[0], columns / image.shape[1]], axis=1)
        return {(int(r * 3), int(c * 3)) for r, c in share}

    assert (1, 0) in thirds("lateral left")  # the snout to the left of the picture
    assert (0, 1) in thirds("lateral left")  # dorsal up
    assert (1, 2) in thirds("lateral right")
    assert any(c == 0 for r, c in thirds("dorsal") if r > 0)  # seen from above, snout up: the left side is to the left
    assert any(c == 2 for r, c in thirds("ventral") if r > 0)
    assert (1, 2) in thirds("rostral")
    assert views["dorsal"].shape == views["ventral"].shape
    assert np.array_equal(views["dorsal"], views["ventral"][:, ::-1])
