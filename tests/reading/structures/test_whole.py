"""What is absent is said to be absent, and nothing is invented in its place."""

import numpy as np
import pytest

from ossicle.reading.greys import Normalised
from ossicle.reading.records import Pose, ScanStatistics
from ossicle.reading.structures import read_structures, structures_of, whole
from ossicle.reading.structures.asymmetry import compare
from ossicle.reading.working_grid import WorkingGrid

from .phantoms import space_of
from .test_braincase import skull
from .test_jaw import dentary


@pytest.fixture(scope="module")
def lone_jaw():
    return space_of(dentary(12.0), [0, -7, -18], [7, 7, 11], 0.25, noise=0.03)


def test_one_dentary(lone_jaw) -> None:
    found, labels, laid = read_structures(lone_jaw, [], cranium=None, dentaries={"left": 1})
    assert [j.side for j in found.jaws] == ["left"]
    assert found.palate is None
    assert found.braincase is None
    assert found.ears == ()
    assert {m.side for m in found.measured} == {"left"}
    assert found.asymmetries == ()
    assert laid == []
    assert np.array_equal(labels, lone_jaw.labels)
    said = " ".join(found.absent)
    assert "No right dentary" in said
    assert "No cranium" in said


def test_no_dentary(lone_jaw) -> None:
    found, _, _ = read_structures(lone_jaw, [], cranium=None, dentaries={})
    assert found.jaws == found.measured == ()
    assert "No dentary was found" in " ".join(found.absent)


def test_a_jaw_cut_by_the_edge_of_the_scan_has_no_length() -> None:
    space = space_of(dentary(12.0), [0, -7, -18], [7, 7, 11], 0.25)
    keep = space.values.shape[0] // 2 + 20
    from dataclasses import replace

    half = replace(space, values=space.values[:keep], labels=space.labels[:keep])
    found, _, _ = read_structures(half, [], cranium=None, dentaries={"left": 1})
    assert found.jaws[0].cut
    assert found.jaws[0].length_mm is None
    assert any("cut by the edge" in a for a in found.absent)


def test_without_a_pose_nothing_is_said() -> None:
    pose = Pose(np.eye(4), 0.0, 0.0, 0.0, False)
    grid = WorkingGrid(np.zeros((4, 4, 4), np.float32), (0.1,) * 3, (0, 0, 0), 1, (4, 4, 4), (0.1,) * 3)
    statistics = ScanStatistics(0, None, 1, 1, None, 0.0, 0.1, 10.0)
    labels = np.zeros((4, 4, 4), np.int32)
    found, same, laid = structures_of(Normalised(grid.grey, 1.0, 0.0), labels, grid, pose, [], [], statistics)
    assert found.measured == ()
    assert len(found.absent) == 1
    assert same is labels
    assert laid == []


def test_the_blur_is_the_scanners_and_what_noise_made_the_reading_add(monkeypatch: pytest.MonkeyPatch) -> None:
    """Variances of Gaussians one after the other add up."""
    grey = np.zeros((4, 4, 4), np.float32)
    grid = WorkingGrid(grey, (0.1,) * 3, (0, 0, 0), 1, (4, 4, 4), (0.1,) * 3)
    statistics = ScanStatistics(0, None, 1, 1, None, 0.0, 0.05, 10.0)
    got: list[float] = []
    monkeypatch.setattr(whole, "read_structures", lambda space, *_, **__: got.append(space.blur_mm))
    for sigma in (0.6, 1.2):
        structures_of(
            Normalised(grey, 1.0, 0.0, sigma),
            grey.astype(np.int32),
            grid,
            Pose(np.eye(4), 1, 1, 1, True),
            [],
            [],
            statistics,
        )
    assert got == pytest.approx([np.hypot(0.05, 0.06), np.hypot(0.05, 0.12)])


def test_asymmetry_is_a_share_of_the_mean() -> None:
    a = compare("x", 11.0, 9.0, (0.3, 0.4), "mm")
    assert a is not None
    assert a.share == pytest.approx(0.2)
    assert a.error == pytest.approx(0.05)
    assert compare("x", 0.0, 0.0, (0.1, 0.1), "mm") is None


def test_a_braincase_without_ears_has_none_invented() -> None:
    """A bare shell with a foramen magnum: no palate, no ear, no nose, no jaw, and a sentence for each."""
    space = skull(1.0)
    found, labels, laid = read_structures(space, [], cranium=1, dentaries={})
    assert found.ears == ()
    assert found.palate is None
    assert found.nose is not None
    assert found.nose.volume_mm3 is None
    assert {e.term for e in laid} <= {"cranial cavity", "foramen magnum"}
    assert not any("condyles" in m.name for m in found.measured)
    said = " ".join(found.absent)
    for told in ("left labyrinth was not found", "right labyrinth was not found", "nasal cavity is not told", "palate"):
        assert told in said
    assert labels.shape == space.labels.shape
