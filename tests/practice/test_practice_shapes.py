"""Solids against their closed forms: volume, distance, isometry."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ossicle.practice.ear import tube
from ossicle.practice.lofts import loft, plate
from ossicle.practice.palate import ellipse_perimeter
from ossicle.practice.shapes import (
    Solid,
    chain,
    cut,
    ellipsoid,
    frame,
    half_space,
    join,
    meet,
    placed,
    round_cone,
    shell,
    smooth_min,
    sphere,
    swollen,
    torus,
)
from ossicle.practice.truth import volume_of

PI = np.pi
SOLIDS: dict[str, tuple[Solid, float]] = {
    "sphere": (sphere([0.1, 0.2, -0.3], 1.2), 4 / 3 * PI * 1.2**3),
    "ellipsoid": (ellipsoid([0, 0.5, 0], [1.4, 0.8, 0.6]), 4 / 3 * PI * 1.4 * 0.8 * 0.6),
    "half of a sphere": (meet(sphere([0, 0, 0], 1.0), half_space([0, 0, 0], [1, 1, 0])), 2 / 3 * PI),
    "shell": (shell(sphere([0, 0, 0], 1.0), 0.3), 4 / 3 * PI * (1 - 0.7**3)),
    "sphere less a smaller one": (
        cut(sphere([0, 0, 0], 1.0), sphere([0, 0, 0], 0.5)),
        4 / 3 * PI * (1 - 0.125),
    ),
    "two apart": (join(sphere([-2, 0, 0], 0.5), sphere([2, 0, 0], 0.5)), 2 * 4 / 3 * PI * 0.125),
    "capsule": (round_cone([0, 0, -1], [0, 0, 1], 0.5, 0.5), PI * 0.25 * 2 + 4 / 3 * PI * 0.125),
    "torus": (torus([0, 0, 0], [1, 2, 0.5], 1.0, 0.25), 2 * PI**2 * 1.0 * 0.25**2),
    "elliptic cylinder": (
        tube([0, 0, -1], [0.3, 0.2, 1], 0.4, 0.7, [0, 1, 0]),
        PI * 0.4 * 0.7 * np.sqrt(4.13),
    ),
    "straight loft": (loft(2, [-1, 1], au=0.8, av=0.5, cap=0.01), PI * 0.8 * 0.5 * 2),
    "square loft": (loft(0, [-1, 1], au=0.6, av=0.6, power=40.0, cap=0.01), 1.2 * 1.2 * 2),
    "cone loft": (
        loft(
            2,
            np.linspace(0, 2, 30).tolist(),
            au=np.linspace(1, 0.2, 30).tolist(),
            av=np.linspace(1, 0.2, 30).tolist(),
            cap=0.01,
        ),
        PI * 2 / 3 * (1 + 0.2 + 0.04),
    ),
    "plate": (
        plate([[0, 0], [2, 0], [2, 1], [0, 1]], plane=0, middle=0.0, half=0.25, rounding=0.01),
        2 * 1 * 0.5,
    ),
    "straight chain": (chain([[0, 0, 0], [0, 0, 2]], [0.4, 0.4]), PI * 0.16 * 2 + 4 / 3 * PI * 0.064),
}


@pytest.mark.parametrize("name", SOLIDS)
def test_volume_is_that_of_the_closed_form(name: str) -> None:
    solid, expected = SOLIDS[name]
    assert volume_of(solid, 0.05) == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize("name", SOLIDS)
def test_nothing_of_a_solid_lies_outside_its_box(name: str) -> None:
    solid, _ = SOLIDS[name]
    rng = np.random.default_rng(3)
    p = rng.uniform(solid.lo - 1.0, solid.hi + 1.0, (20000, 3))
    outside = ((p < solid.lo - 1e-3) | (p > solid.hi + 1e-3)).any(1)
    assert (solid.at(p[outside]) > 0).all()


def test_distances_of_exact_shapes() -> None:
    p = np.array([[3.0, 0, 0], [0, 0, 0], [0, 0, 4.0]])
    assert sphere([0, 0, 0], 1).at(p) == pytest.approx([2, -1, 3], abs=1e-5)
    assert torus([0, 0, 0], [0, 0, 1], 1.0, 0.25).at(p) == pytest.approx([1.75, 0.75, np.hypot(1, 4) - 0.25], abs=1e-5)
    assert swollen(sphere([0, 0, 0], 1), 0.5).at(p) == pytest.approx([1.5, -1.5, 2.5], abs=1e-5)


def test_first_order_distance_near_an_ellipsoid() -> None:
    """Points pushed 0.05 mm off the surface along the normal are 0.05 mm away."""
    r = np.array([1.5, 0.7, 0.9])
    rng = np.random.default_rng(1)
    n = rng.normal(size=(500, 3))
    n /= np.linalg.norm(n, axis=1, keepdims=True)
    on = n * r
    normal = on / r**2
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    for off in (-0.05, 0.05):
        assert ellipsoid([0, 0, 0], r).at(on + off * normal) == pytest.approx(off, abs=0.006)


@given(st.floats(-3, 3), st.floats(-3, 3), st.floats(0.01, 1.0))
def test_fillet_only_adds_and_stays_local(a: float, b: float, k: float) -> None:
    x, y = np.array([a], np.float32), np.array([b], np.float32)
    plain, smooth = np.minimum(x, y)[0], smooth_min(x, y, k)[0]
    assert plain - k / 4 - 1e-5 <= smooth <= plain + 1e-5
    if abs(a - b) > k:
        assert smooth == pytest.approx(plain, abs=1e-5)


def test_placing_is_an_isometry_and_may_mirror() -> None:
    turn = frame([1, 2, 3], [0, -1, 0], [0, 0, 1], [1, 0, 0])
    base = ellipsoid([0.5, 0, 0], [1, 0.5, 0.25])
    moved = placed(base, turn)
    p = np.random.default_rng(0).uniform(-2, 2, (200, 3))
    q = p @ turn[:3, :3].T + turn[:3, 3]
    assert moved.at(q) == pytest.approx(base.at(p), abs=1e-4)
    assert np.linalg.det(turn[:3, :3]) == pytest.approx(-1)


def test_perimeter_of_an_ellipse() -> None:
    assert ellipse_perimeter(2, 2) == pytest.approx(4 * PI)
    # complete elliptic integral of the second kind, Abramowitz & Stegun 17.3.3: 4 a E(m), m = 1 - (b/a)^2
    from scipy.special import ellipe

    assert ellipse_perimeter(2.0, 0.5) == pytest.approx(4 * 2.0 * float(ellipe(1 - 0.0625)), rel=1e-3)
