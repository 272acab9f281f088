"""Teeth as models: volumes against closed forms, growth, wear, and the curve of ever-growing incisors."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ossicle.practice.crowns import FORMS
from ossicle.practice.lofts import loft
from ossicle.practice.shapes import ellipsoid
from ossicle.practice.teeth import Model, Shape, State, grow_tooth

MOLAR = Shape("tribosphenic-upper", 2.3, 3.0, 1.7, 2.0, FORMS["tribosphenic-upper"].roots, 0.22)


def egg(enamel: float) -> Model:
    """An ellipsoid covered all over with enamel, without pulp."""
    whole = ellipsoid([0, 0, 0], [1.0, 0.8, 1.2])
    return Model(whole, -1e3, -4.0, 1.2, enamel, 9.0, 1.0, 1.0, 9.0, seed=1)


def test_whole_volume_and_extent_of_a_known_body() -> None:
    f = egg(0.2).figures
    assert f.whole_volume == pytest.approx(4 / 3 * np.pi * 1.0 * 0.8 * 1.2, rel=0.01)
    assert f.volume == pytest.approx(f.whole_volume, rel=1e-6)
    assert (f.length, f.width, f.crown_height) == pytest.approx((2.0, 1.6, 2.4), abs=0.06)
    assert f.centroid == pytest.approx([0, 0, 0], abs=0.01)


def test_enamel_volume_of_a_known_cap() -> None:
    """A layer of (nearly) constant thickness t on an ellipsoid: whole less the inner body, which is smaller
    by t all round.
    """
    t = 0.15
    model = egg(t)
    inner = 4 / 3 * np.pi * (1.0 - t) * (0.8 - t) * (1.2 - t)
    expected = model.figures.whole_volume - inner
    assert model.figures.enamel_volume == pytest.approx(expected, rel=0.08)


@pytest.mark.parametrize("form", sorted(FORMS))
def test_every_form_is_a_sound_tooth(form: str) -> None:
    growing = FORMS[form].shape in ("chisel", "tusk")
    shape = Shape(form, 2.0, 1.6, 1.8, 2.2, FORMS[form].roots, 0.2, growing=growing, bend=6.0 if growing else 0.0)
    f = grow_tooth(shape, State(), 1).figures
    assert f.length == pytest.approx(2.0, rel=0.2)
    assert f.width == pytest.approx(1.6, rel=0.3)
    assert 0 < f.enamel_volume < f.volume < f.whole_volume
    assert 0.03 < f.enamel_volume / f.volume < 0.6


def test_figures_agree_with_counted_points() -> None:
    model = grow_tooth(MOLAR, State(), 3)
    rng = np.random.default_rng(0)
    lo, hi = model.lo - 0.1, model.hi + 0.1
    p = rng.uniform(lo, hi, (400_000, 3)).astype(np.float32)
    body, enamel, pulp = model.layers(p[:, 0], p[:, 1], p[:, 2])
    cell = np.prod(hi - lo) / len(p)
    assert model.figures.whole_volume == pytest.approx((body < 0).sum() * cell, rel=0.02)
    assert model.figures.volume == pytest.approx(((body < 0) & (pulp >= 0)).sum() * cell, rel=0.02)
    assert model.figures.enamel_volume == pytest.approx((enamel < 0).sum() * cell, rel=0.04)


def test_a_crown_forms_from_its_cusps_down() -> None:
    shares = (0.15, 0.4, 0.7, 1.0)
    models = [grow_tooth(MOLAR, State(crown=c, root=0.0), 3) for c in shares]
    volumes = [m.figures.volume for m in models]
    assert volumes == sorted(volumes)
    for share, m in zip(shares, models, strict=True):
        assert m.front == pytest.approx(MOLAR.height * (1 - share), abs=0.06)
        assert m.lo[2] >= m.front - 1e-6
    # the first caps are hollow and apart: less mineral than body
    assert models[0].figures.volume < 0.9 * models[0].figures.whole_volume


def test_roots_form_last_and_are_lost_first() -> None:
    whole = grow_tooth(MOLAR, State(), 3).figures.volume
    half = grow_tooth(MOLAR, State(root=0.5), 3)
    assert half.lo[2] == pytest.approx(-0.5 * MOLAR.root, abs=1e-6)
    stub = grow_tooth(MOLAR, State(resorbed=0.8), 3)
    assert stub.figures.volume < 0.95 * whole
    assert stub.figures.enamel_volume == pytest.approx(grow_tooth(MOLAR, State(), 3).figures.enamel_volume, rel=0.05)


def test_wear_takes_height_and_enamel_only_from_above() -> None:
    fresh, worn = (grow_tooth(MOLAR, State(wear=w), 3).figures for w in (0.0, 0.4))
    assert worn.crown_height == pytest.approx(0.6 * MOLAR.height, abs=0.35)
    assert worn.enamel_volume < 0.9 * fresh.enamel_volume
    assert worn.length == pytest.approx(fresh.length, rel=0.1)


def test_bending_keeps_volume_and_follows_a_circle() -> None:
    """Pappus: a section carried round a circle through its own middle sweeps section times path."""
    rod = loft(2, [-6, 2], au=0.5, av=0.6, cap=0.01)
    straight = Model(rod, -1e3, -9.0, 2.0, 0.1, 9.0, 6.0, 1.0, 9.0)
    bent = replace(straight, bend=5.0)
    assert bent.figures.whole_volume == pytest.approx(np.pi * 0.5 * 0.6 * 8, rel=0.02)
    tip = bent.surface[np.argmax(bent.surface[:, 2])]
    assert np.hypot(tip[1] + 5.0, tip[2]) == pytest.approx(5.0, abs=0.65)


def test_an_ever_growing_incisor_has_enamel_in_front_only_and_an_open_base() -> None:
    shape = Shape("chisel", 1.1, 1.4, 3.6, 7.0, (), 0.16, bend=5.6, growing=True, exposed=3.4)
    m = grow_tooth(shape, State(), 1)
    u = np.zeros(2, np.float32)
    for s in (-4.0, -1.0, 1.0):
        angle = s / 5.6
        for side, expected in ((0.66, True), (-0.66, False)):
            r = 5.6 + side
            v, w = np.float32(r * np.cos(angle) - 5.6), np.float32(r * np.sin(angle))
            body, enamel, _ = m.layers(u[:1], np.array([v]), np.array([w]))
            assert body[0] < 0
            assert (enamel[0] < 0) == expected
    base = -6.9 / 5.6
    v, w = np.float32(5.6 * np.cos(base) - 5.6), np.float32(5.6 * np.sin(base))
    _, _, pulp = m.layers(u[:1], np.array([v]), np.array([w]))
    assert pulp[0] < 0
