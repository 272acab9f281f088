"""Shape statistics on configurations with known answers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import stats
from scipy.spatial import procrustes as scipy_procrustes
from scipy.spatial.transform import Rotation

from ossicle.compare.shape import (
    allometry,
    centroid_size,
    components,
    distance,
    fit,
    goodall,
    hotelling,
    landmarks_csv,
    landmarks_from_csv,
    mirror_order,
    permuted,
    superimpose,
    symmetry,
)
from ossicle.errors import OssicleError

NAMES = ("prosthion", "basion", "condyle left", "condyle right", "canine left", "canine right")
BASE = np.array([[0, 0, 10], [0, 1, -12], [4, 0, -10], [-4, 0, -10], [2, -1, 6], [-2, -1, 6.0]])


def sample(n: int, spread: float = 0.1, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    x = BASE + rng.normal(0, spread, (n, *BASE.shape))
    turns = Rotation.random(n, random_state=seed).as_matrix()
    return np.einsum("npk,njk->npj", x, turns) + rng.normal(0, 50, (n, 1, 3))


def test_centroid_size_of_a_unit_square() -> None:
    # four corners, each at a distance of sqrt(1/2) from the centre: by hand
    assert centroid_size([[0, 0], [1, 0], [1, 1], [0, 1]]) == pytest.approx(np.sqrt(2))


@settings(max_examples=60, deadline=None)
@given(
    points=hnp.arrays(float, (6, 3), elements=st.floats(-20, 20)),
    angles=hnp.arrays(float, (3,), elements=st.floats(-3, 3)),
    scale=st.floats(0.2, 5),
    shift=hnp.arrays(float, (3,), elements=st.floats(-100, 100)),
)
def test_a_moved_copy_is_brought_back(points: np.ndarray, angles: np.ndarray, scale: float, shift: np.ndarray) -> None:
    points = points + BASE
    if np.linalg.svd(points - points.mean(0))[1].min() < 0.5:
        return
    turn = Rotation.from_rotvec(angles).as_matrix()
    moved = scale * points @ turn.T + shift
    found = fit(points, moved, scale=True)
    assert np.allclose(found.rotation, turn, atol=1e-6)
    assert found.scale == pytest.approx(scale)
    assert found.rms < 1e-6
    assert np.allclose(found.apply(points), moved, atol=1e-6)
    homogeneous = np.c_[points, np.ones(len(points))] @ found.matrix.T
    assert np.allclose(homogeneous[:, :3], moved, atol=1e-6)
    # without a scale the sizes stay as they are
    assert fit(points, moved).scale == 1.0


def test_a_mirror_image_is_not_taken_for_the_same() -> None:
    chiral = BASE + np.array([0.5, 0, 0]) * np.arange(6)[:, None] ** 2
    mirrored = chiral * np.array([-1, 1, 1])
    found = fit(chiral, mirrored)
    assert np.linalg.det(found.rotation) == pytest.approx(1.0)
    assert found.rms > 0.1
    assert found.mirror_rms < 1e-6
    assert found.looks_mirrored
    assert distance(chiral, mirrored) > 0.01
    assert not fit(chiral, chiral + 3).looks_mirrored


def test_full_distance_agrees_with_scipy() -> None:
    # scipy.spatial.procrustes returns the squared full Procrustes distance (reflections are not needed here)
    a, b = sample(2, 0.6)
    _, _, disparity = scipy_procrustes(a, b)
    assert distance(a, b, "full") == pytest.approx(np.sqrt(disparity), abs=1e-9)


def test_superimposition_does_not_depend_on_pose_size_or_order() -> None:
    x = sample(7, 0.4)
    first = superimpose(x)
    rng = np.random.default_rng(5)
    order = rng.permutation(7)
    turned = np.einsum("npk,njk->npj", x, Rotation.random(7, random_state=9).as_matrix()) * rng.uniform(
        0.5, 3, (7, 1, 1)
    )
    again = superimpose(turned[order])
    assert distance(first.mean, again.mean) < 1e-9
    assert np.allclose(first.distances[order], again.distances, atol=1e-9)
    assert np.allclose(centroid_size(first.coordinates), 1)


def test_hotelling_is_the_textbook_test_on_the_scores() -> None:
    # In the plane three landmarks leave two dimensions of shape; T2 on two variables as in Mardia, Kent & Bibby 1979,
    # section 3.6, computed here the long way with scipy's F.
    rng = np.random.default_rng(2)
    triangle = np.array([[0, 0], [4, 0], [1, 3.0]])
    a = triangle + rng.normal(0, 0.05, (9, 3, 2))
    b = np.array([[0, 0], [4.1, 0], [1, 3.0]]) + rng.normal(0, 0.05, (8, 3, 2))
    pooled = components(np.concatenate([a, b]))
    u, v = pooled.scores[:9, :2], pooled.scores[9:, :2]
    s = (8 * np.cov(u.T) + 7 * np.cov(v.T)) / 15
    d = u.mean(0) - v.mean(0)
    t2 = 9 * 8 / 17 * d @ np.linalg.inv(s) @ d
    f = (17 - 2 - 1) / (15 * 2) * t2
    found = hotelling(a, b)
    assert found.freedom == (2, 14)
    assert found.statistic == pytest.approx(f, rel=1e-6)
    assert found.p == pytest.approx(stats.f.sf(f, 2, 14), rel=1e-6)


def test_tests_hold_their_level_and_find_a_difference() -> None:
    shifted = np.zeros_like(BASE)
    shifted[0, 1] = 1.0
    rng = np.random.default_rng(11)
    false = 0
    for _ in range(40):
        a, b = (BASE + rng.normal(0, 0.2, (12, 6, 3)) for _ in range(2))
        false += permuted(a, b, draws=99, seed=3).p <= 0.05
    assert false <= 7  # 40 tests at 5 %: seven or more happen once in 200 times (binomial)
    a = BASE + rng.normal(0, 0.2, (14, 6, 3))
    b = BASE + shifted + rng.normal(0, 0.2, (14, 6, 3))
    assert permuted(a, b, draws=199).p < 0.02
    assert goodall(a, b).p < 0.01
    assert hotelling(a, b).p < 0.01


def test_hotelling_refuses_too_few() -> None:
    with pytest.raises(OssicleError, match="needs 13 specimens or more"):
        hotelling(sample(4), sample(4, seed=1))


def test_components_find_the_planted_direction() -> None:
    rng = np.random.default_rng(1)
    way = np.zeros_like(BASE)
    way[0, 1], way[1, 1] = 1.0, 1.0
    scores = rng.normal(0, 0.8, 40)
    x = BASE + scores[:, None, None] * way + rng.normal(0, 0.01, (40, 6, 3))
    found = components(x)
    assert found.shares[0] > 0.95
    assert found.shares.sum() == pytest.approx(1)
    assert abs(np.corrcoef(found.scores[:, 0], scores)[0, 1]) > 0.99
    # the shapes along the axis are those of the specimens at its ends
    top = int(np.argmax(found.scores[:, 0]))
    assert distance(found.shape_at(0, found.scores[top, 0]), x[top]) < 0.01


def test_allometry_finds_what_grows() -> None:
    rng = np.random.default_rng(3)
    sizes = np.linspace(1, 2, 20)
    longer = np.zeros_like(BASE)
    longer[0, 2] = 3.0
    x = sizes[:, None, None] * (BASE + np.log(sizes)[:, None, None] * longer) + rng.normal(0, 0.05, (20, 6, 3))
    found = allometry(x, draws=199)
    assert found.explained > 0.9
    assert found.p == 1 / 200
    assert np.corrcoef(found.scores, found.log_sizes)[0, 1] > 0.99
    assert distance(found.shape_at(centroid_size(x[-1])), x[-1]) < 0.02
    none = allometry(rng.permuted(BASE + rng.normal(0, 0.2, (20, 6, 3)), axis=0), draws=199)
    assert none.p > 0.01


def test_symmetry_parts_what_was_planted() -> None:
    rng = np.random.default_rng(8)
    order = mirror_order(NAMES)
    assert order == [0, 1, 3, 2, 5, 4]
    own = rng.normal(0, 0.3, (15, 6, 3))
    own = (own + (own * [-1, 1, 1])[:, order]) / 2  # symmetric differences between individuals
    directional = np.zeros_like(BASE)
    directional[2, 1] = 0.4  # the left condyle of all stands higher
    rounds = BASE + own + directional + rng.normal(0, 0.02, (2, 15, 6, 3))
    found = symmetry(rounds, order)
    individual, side, _, error = found.effects
    assert individual.p is not None
    assert individual.p < 1e-6
    assert side.p is not None
    assert side.p < 1e-6
    assert error.mean_square < 0.01 * individual.mean_square
    # The asymmetry is half of what stays apart when the mean form is laid on its own mirror image.
    planted = BASE + directional
    apart = fit((planted * [-1, 1, 1])[order], planted).residuals / 2 / centroid_size(planted)
    assert np.allclose(np.linalg.norm(found.directional, axis=1), apart, atol=0.15 * apart.max())
    assert np.allclose(found.directional[3], -found.directional[2] * [-1, 1, 1], atol=1e-9)
    # the symmetric part is its own mirror image
    assert np.allclose(found.symmetric * [-1, 1, 1], found.symmetric[:, order], atol=1e-9)


def test_error_of_landmarking_hides_the_asymmetry_of_individuals() -> None:
    rng = np.random.default_rng(9)
    rounds = BASE + rng.normal(0, 0.2, (2, 12, 6, 3))  # nothing but error
    inter = symmetry(rounds, mirror_order(NAMES)).effects[2]
    assert inter.p is not None
    assert inter.p > 0.01
    single = symmetry(rounds[:1], mirror_order(NAMES)).effects
    assert single[2].p is None
    assert single[3].freedom == 0


def test_landmarks_go_to_csv_and_back() -> None:
    text = "specimen,landmark,x,y,z,sex\na,basion,1,2,3,f\na,prosthion,,,,f\nb,basion,4,5,6.25,m\nb,prosthion,7,8,9,m\n"
    marks = landmarks_from_csv(text)
    assert marks.missing == (("a", "prosthion"),)
    assert marks.groups("sex") == {"f": [0], "m": [1]}
    again = landmarks_from_csv(landmarks_csv(marks))
    assert again.names == marks.names
    assert np.array_equal(again.points, marks.points, equal_nan=True)
    wide = landmarks_from_csv("specimen;basion_x;basion_y;tip_x;tip_y\nq;1;2;3;4\n")
    assert wide.points.tolist() == [[[1, 2], [3, 4]]]
    with pytest.raises(OssicleError, match="share 1 of 2"):
        marks.complete()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("specimen,landmark,x,y\na,basion,1\n", "row 2 has 3 cells"),
        ("specimen,landmark,x,y\na,basion,1,two\n", "'two' in row 2"),
        ("name,landmark,x,y\na,basion,1,2\n", "no column 'specimen'"),
        ("specimen,landmark,x,y\na,basion,1,2\na,basion,1,2\n", "again"),
        ("specimen,landmark,x,y,sex\na,basion,1,2,f\na,tip,1,2,m\n", "gives sex"),
        ("specimen,basion_x\na,1\n", "'basion_y' is missing"),
        ("specimen,landmark\n", "no row"),
        ("specimen,landmark,x,y\na,bas\rion,1,2\n", "the table is no CSV"),
        ("specimen,landmark,x,y\na,basion,1,1e308\n", "is no length of a skull"),
        ("specimen,landmark,x,y\n" + "".join(f"{n},l{n},1,2\n" for n in range(5000)), "5000 different landmarks"),
    ],
)
def test_bad_tables_are_told_by_row(text: str, said: str) -> None:
    with pytest.raises(OssicleError, match=said):
        landmarks_from_csv(text)
