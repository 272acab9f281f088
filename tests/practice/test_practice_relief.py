"""Orbits and what stands round them: hollow, walled off from nose and brain, framed by the processes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from ossicle.practice import Made, build
from ossicle.practice.animals import animals
from ossicle.practice.mix import MARROW
from ossicle.practice.relief import rounded
from ossicle.practice.scanner import preset


def solids(m: Made, what: str) -> list:
    assert m.specimen.anatomy.cranium is not None
    return [op.solid for op in m.specimen.anatomy.cranium.ops if op.what == what]


def at(m: Made, points: np.ndarray, volume: np.ndarray) -> np.ndarray:
    """Values of a volume (z, y, x) at points in skull mm of the design."""
    inv = np.linalg.inv(m.specimen.grid.index_to_skull)
    i = np.rint(points @ inv[:3, :3].T + inv[:3, 3]).astype(int)
    return volume[i[:, 2], i[:, 1], i[:, 0]]


def cloud(solid, n: int = 40) -> np.ndarray:
    axes = [np.linspace(lo - 0.6, hi + 0.6, n) for lo, hi in zip(solid.lo, solid.hi, strict=True)]
    return np.stack([g.ravel() for g in np.meshgrid(*axes, indexing="ij")], axis=1)


def test_orbits_are_hollow_and_walled_off(adult: Made) -> None:
    eyes = solids(adult, "orbit")
    assert len(eyes) == 2
    cavities = [adult.specimen.anatomy.cranium.named[n] for n in ("nasal cavity", "braincase")]
    for eye, side in zip(eyes, (1, -1), strict=True):
        p = cloud(eye)
        inside = p[eye.at(p) < -0.3]
        assert (np.sign(inside[:, 0]) == side).all()
        assert (at(adult, inside, adult.tissue) == 2).mean() < 0.12  # roots of molars may bulge into its floor
        for cavity in cavities:
            within = p[cavity.at(p) < 0]
            assert eye.at(within).min() > 0.3 if len(within) else True
        # a thin shell towards nose and brain is bone: at least two thirds, since nerves pass through it
        near = p[(eye.at(p) > 0.1) & (eye.at(p) < 0.3)]
        behind = near - np.array([side * 0.5, 0, 0])
        medial = near[np.min([c.at(behind) for c in cavities], axis=0) < 0]
        assert len(medial) > 50
        assert (at(adult, medial, adult.tissue) == 2).mean() > 0.66


def test_the_young_have_large_orbits() -> None:
    """Relative to the skull's length, as in mammals at large (common practice, no source)."""
    sizes = []
    for stage in ("newborn", "adult"):
        m = build(f"carnivore-like-{stage}", seed=1, voxel_mm=0.5)
        (eye, _), points = solids(m, "orbit"), m.specimen.surfaces["cranium"][0]
        sizes.append(float((eye.hi - eye.lo)[2] / np.ptp(points[:, 2])))
    assert sizes[0] > 1.03 * sizes[1]


@pytest.mark.parametrize(("animal", "closed"), [("browser-like", True), ("carnivore-like", False)])
def test_postorbital_bar(animal: str, closed: bool) -> None:
    """The bar joins frontal and arch in the browser-like animal; in the carnivore-like one a gap stays."""
    m = build(f"{animal}-adult", seed=1, voxel_mm=0.3)
    frontal, bar = solids(m, "postorbital process")[0], solids(m, "frontal process of the jugal")[0]
    p = cloud(frontal, 60)
    tip = p[frontal.at(p) < 0]
    assert (bar.at(tip).min() < 0) == closed


@pytest.mark.parametrize("name", [*(f"{a}-adult" for a in animals()), "metatherian-newborn", "rodent-like-newborn"])
def test_a_dentary_is_one_bone_with_its_condyle(name: str) -> None:
    m = build(name, seed=1, voxel_mm=0.2, faults=["dentaries-alone"], settings=preset("perfect", 0.2))
    for side in ("left", "right"):
        a = m.specimen.anatomy
        (label,) = (p["label"] for p in m.truth["parts"] if p["term"] == "dentary" and p["side"] == side)
        pieces, _ = ndimage.label(m.labels == label, np.ones((3, 3, 3)))
        sizes = np.bincount(pieces.ravel())[1:]
        assert sizes.max() > 0.98 * sizes.sum()  # a septum between crypts may stand loose
        at_condyle = a.jaw[side][:3, :3] @ a.dentaries[side].landmarks["condyle"] + a.jaw[side][:3, 3]
        assert at(m, at_condyle[None], pieces)[0] == sizes.argmax() + 1


def test_compact_bone_lines_the_sockets() -> None:
    """No marrow close behind a socket's wall, wherever it lies on the grid's blocks; deeper there is some."""
    m = build("metatherian-adult", seed=4, voxel_mm=0.12, faults=["dentaries-alone"])
    marrow = m.specimen.mix.plane(MARROW).astype(float) / 255
    teeth = np.isin(m.labels, [t.label for t in m.specimen.anatomy.teeth])
    far = ndimage.distance_transform_edt(~teeth) * m.specimen.grid.voxel
    bone = (m.labels > 0) & ~teeth & (m.tissue == 2)
    assert marrow[bone & (far > 0.3) & (far < 0.4)].mean() < 0.0005
    assert marrow[bone & (far > 0.6) & (far < 0.8)].mean() > 0.02


def test_rounding_keeps_the_outline() -> None:
    square = np.array([[0.0, 0], [1, 0], [1, 1], [0, 1]])
    p = rounded(square, 3)
    area = 0.5 * abs(np.sum(p[:, 0] * np.roll(p[:, 1], -1) - p[:, 1] * np.roll(p[:, 0], -1)))
    assert 0.9 < area < 1
    assert np.hypot(*(p - 1).T).min() > 0.05  # the corner is gone
    assert (np.abs(p - 0.5) <= 0.5 + 1e-12).all()
