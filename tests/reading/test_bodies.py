"""Several heads in one scan, dentaries beside a head, and metal."""

from __future__ import annotations

import numpy as np
import pytest

from ossicle.errors import OssicleError
from ossicle.reading import working_grid as grids
from ossicle.reading.bodies import find_heads, find_metal, of_one_specimen, without_company
from ossicle.reading.greys import Normalised
from ossicle.reading.working_grid import working_grid

SPACING = (0.2, 0.2, 0.2)


def head(shape: tuple[int, int, int], middle: tuple[float, float, float], scale: float = 1.0) -> np.ndarray:
    """A hollow vault with a snout and two arches, alike left and right (x) only."""
    z, y, x = (np.indices(shape) - np.array(middle)[:, None, None, None]) / scale
    vault = (z / 20) ** 2 + ((y + 5) / 11) ** 2 + (x / 13) ** 2
    snout = (np.abs(x) < 5) & (y > 2) & (y < 10) & (z > 8) & (z < 42)
    ring = np.abs(np.hypot((np.abs(x) - 10) / 9, (z - 10) / 16) - 1)
    arch = (ring < 0.15) & (np.abs(y - 10) < 2.5) & (np.abs(x) > 10)
    return ((vault < 1) & (vault > 0.7)) | snout | arch


def dentary(shape: tuple[int, int, int], middle: tuple[float, float, float], scale: float = 1.0) -> np.ndarray:
    """A plate with a ramus."""
    z, y, x = (np.indices(shape) - np.array(middle)[:, None, None, None]) / scale
    body = (np.abs(x) < 2.5) & (np.abs(y) < 4) & (np.abs(z) < 26)
    return body | ((np.abs(x) < 1.5) & (y > -4) & (y < 16) & (z > -26) & (z < -12))


def test_two_heads_and_what_lies_nearest_to_each() -> None:
    shape = (80, 50, 150)
    first, second = head(shape, (28, 22, 35), 1.1), head(shape, (28, 22, 105))
    jaw = dentary(shape, (34, 30, 140), 0.8)
    found = find_heads((first | second | jaw).astype(np.float32), SPACING)
    assert found.count == 2
    assert (found.owner[first] == 1).all()
    assert (found.owner[second] == 2).all()
    assert (found.owner[jaw] == 2).all()


def test_dentaries_beside_a_head_are_no_heads_of_their_own() -> None:
    shape = (80, 60, 150)
    scan = head(shape, (28, 25, 35)) | dentary(shape, (34, 20, 90)) | dentary(shape, (34, 20, 120))
    found = find_heads(scan.astype(np.float32), SPACING)
    assert found.count == 1
    assert (found.owner == 1).all()


def test_two_dentaries_alone_are_one_specimen() -> None:
    shape = (80, 60, 90)
    scan = dentary(shape, (34, 20, 25)) | dentary(shape, (34, 20, 60))
    assert find_heads(scan.astype(np.float32), SPACING).count == 1


def test_the_head_asked_for_is_left_alone_and_an_unknown_one_refused() -> None:
    shape = (80, 50, 150)
    first, second = head(shape, (28, 22, 35), 1.1), head(shape, (28, 22, 105))
    grid = working_grid((first | second).astype(np.float32) * 1000, SPACING)
    normal = Normalised(grid.grey / 1000, 1.0, 0.01, sigma=1.1)
    seen: list[str] = []
    alone, company = without_company(normal, grid, True, 2, seen)
    assert (alone.sigma, alone.noise) == (normal.sigma, normal.noise)  # it is smoothed no otherwise than it was
    assert not company.metal.any()
    assert company.rods == ()
    assert "2 heads" in seen[0]
    left = grid.full_size((alone.values > 0.5).astype(np.int32)) > 0
    assert 2 * (left & second).sum() / (left.sum() + second.sum()) > 0.9
    assert not (left & first).any()
    with pytest.raises(OssicleError, match="holds 2 heads"):
        without_company(normal, grid, True, 3, [])


def test_one_of_two_heads_in_a_large_scan_is_seen_as_finely_as_if_it_lay_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    shape = (80, 50, 150)
    first, second = head(shape, (28, 22, 35), 1.1), head(shape, (28, 22, 105))
    drawn = (first | second).repeat(3, 0).repeat(3, 1).repeat(3, 2)
    scan = drawn * 1000 + np.random.default_rng(1).normal(0, 20, drawn.shape)
    fine, largest = (0.1, 0.1, 0.1), 8_000_000
    monkeypatch.setattr(grids, "LARGEST", largest)
    whole = working_grid(scan, fine)
    assert whole.factor == 2
    warnings: list[str] = []
    near, normal, levels, _, company = of_one_specimen(scan, whole, 2, warnings)
    assert near.factor == 1
    assert near.grey.size < largest
    assert company.rods == ()
    assert levels.bone == pytest.approx(1000, abs=30)
    assert len(warnings) == 1
    left = near.full_size((normal.values > 0.5).astype(np.int32)) > 0
    wanted = second.repeat(3, 0).repeat(3, 1).repeat(3, 2)
    assert 2 * (left & wanted).sum() / (left.sum() + wanted.sum()) > 0.95
    assert not (left & first.repeat(3, 0).repeat(3, 1).repeat(3, 2)).any()


def test_metal_is_found_where_it_is_clipped_or_far_brighter_and_enamel_is_not() -> None:
    rng = np.random.default_rng(4)
    values = np.where(np.indices((40, 40, 40))[0] > 20, 1.0, 0.0) + rng.normal(0, 0.05, (40, 40, 40))
    values[22:30, 5:12, 5:12] = 2.6 + rng.normal(0, 0.05, (8, 7, 7))  # enamel on poorly mineralised bone
    grey = values * 10000 + 5000
    assert not find_metal(values.astype(np.float32), grey.astype(np.float32)).any()
    for level in (3.0, 6.0):  # clipped by the file at 3; unclipped at 6
        pin = values.copy()
        pin[:, 30:34, 30:34] = level if level < 4 else level + rng.normal(0, 0.5, (40, 4, 4))
        found = find_metal(pin.astype(np.float32), (pin * 10000 + 5000).astype(np.float32))
        assert found[:, 30:34, 30:34].all()
        assert not found[22:30, 5:12, 5:12].any()
        assert found.sum() < 40 * 9 * 9
