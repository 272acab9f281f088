"""Rows and jaws on invented arcades whose truth is known."""

import numpy as np
import pytest

from ossicle.reading.rows import fit_rows, row_members, split_jaws, to_curve


def arcade(gape: float = 0.0, seed: int = 0, crypts: int = 4) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Places, directions away from bone, and whether upper: two arches with erupted teeth and some in crypts."""
    rng = np.random.default_rng(seed)
    places, looks, upper = [], [], []
    for jaw, sign in ((True, 1.0), (False, -1.0)):
        angle = np.linspace(0.06, 1.35, 11)
        for side in (1, -1):
            x, z = side * 5 * np.sin(angle), 12 * np.cos(angle)
            y = sign * (1.0 + gape * (z + 2)) + 0.02 * z**2
            places.append(np.column_stack([x, y, z]) + rng.normal(0, 0.15, (11, 3)))
            looks.append(np.column_stack([np.zeros(11), np.full(11, -0.45 * sign), np.zeros(11)]))
            upper += [jaw] * 11
            deep = rng.choice(11, crypts, replace=False)
            places.append(np.column_stack([x, y + sign * 2.0, z])[deep])
            looks.append(rng.normal(0, 0.08, (crypts, 3)))
            upper += [jaw] * crypts
    away = np.concatenate(looks) + rng.normal(0, 0.05, (len(upper), 3))
    return np.concatenate(places), away, np.array(upper)


@pytest.mark.parametrize("gape", [0.0, 0.1])
@pytest.mark.parametrize("seed", range(5))
def test_jaws_are_parted_by_look_and_height(gape: float, seed: int) -> None:
    place, away, upper = arcade(gape, seed)
    split = split_jaws(place, np.ones(len(place)), away)
    assert split.present == ("upper", "lower")
    assert (split.upper == upper).mean() > 0.97
    a, b, c = split.boundary
    level = a + b * place[:, 2] + c * place[:, 2] ** 2
    assert np.abs(level - 0.02 * place[:, 2] ** 2).max() < 0.6


def test_some_that_look_the_wrong_way_do_not_turn_the_rest() -> None:
    place, away, upper = arcade(seed=7)
    away[::9, 1] *= -1
    split = split_jaws(place, np.ones(len(place)), away)
    assert (split.upper == upper).mean() > 0.85


@pytest.mark.parametrize("jaw", [True, False])
def test_one_jaw_alone_is_not_parted(jaw: bool) -> None:
    place, away, upper = arcade(seed=2)
    mine = upper == jaw
    split = split_jaws(place[mine], np.ones(int(mine.sum())), away[mine])
    assert split.present == (("upper",) if jaw else ("lower",))
    assert (split.upper == jaw).all()


def test_rows_run_from_the_midline_backwards_through_the_teeth() -> None:
    place, _, upper = arcade(crypts=1)
    rows = fit_rows(place, np.ones(len(place)), upper)
    assert set(rows) == {(j, s) for j in ("upper", "lower") for s in ("left", "right")}
    for (jaw, side), row in rows.items():
        mine = (upper == (jaw == "upper")) & ((place[:, 0] > 0) == (side == "left"))
        arc, distance = to_curve(place[mine], row)
        assert np.median(distance) < 0.35
        assert abs(row.points[0, 0]) < 0.5
        assert row.points[0, 2] > row.points[-1, 2]
        order = np.argsort(-place[mine][:, 2])
        assert np.corrcoef(np.argsort(np.argsort(arc)), np.argsort(order))[0, 1] > 0.95
        np.testing.assert_allclose(np.diff(row.arc), np.linalg.norm(np.diff(row.points, axis=0), axis=1))


def test_a_side_without_teeth_has_no_row() -> None:
    place, _, upper = arcade()
    left = place[:, 0] > 0
    assert {s for _, s in fit_rows(place[left], np.ones(int(left.sum())), upper[left])} == {"left"}


def test_petrosals_behind_are_no_row_but_incisors_in_front_are() -> None:
    place, _, _ = arcade(crypts=0)
    cheek = place[place[:, 2] < 8]
    incisors = np.array([[0.6, 0.5, 18.0], [-0.6, 0.5, 18.0], [0.5, -0.5, 17.5], [-0.5, -0.5, 17.5]])
    petrosals = np.array([[4.0, 2.0, -9.0], [-4.0, 2.0, -9.0]])
    everything = np.concatenate([cheek, incisors, petrosals])
    keep = row_members(everything, np.concatenate([np.ones(len(cheek) + 4), np.full(2, 3.0)]), 32.0)
    assert keep.tolist() == [True] * (len(cheek) + 4) + [False] * 2


def test_upper_teeth_stand_over_lower_ones_however_their_crypts_open() -> None:
    """Crowns in their crypts may seem to look into the bone; nothing puts a lower row over an upper one."""
    rng = np.random.default_rng(3)
    z = np.tile(np.linspace(0.0, 12.0, 8), 4)
    y = np.repeat([1.5, 1.5, -1.5, -1.5], 8) + rng.normal(0, 0.2, 32)
    place = np.column_stack([np.repeat([3.0, -3.0] * 2, 8), y, z])
    away = np.zeros((32, 3))
    away[:, 1] = np.where(y > 0, 0.3, -0.3)
    split = split_jaws(place, np.ones(32), away)
    assert split.present == ("upper", "lower")
    assert (split.upper == (y > 0)).all()


def test_two_jaws_known_to_be_there_are_parted_by_height_where_all_look_one_way() -> None:
    z = np.tile(np.linspace(0.0, 12.0, 8), 4)
    y = np.repeat([1.5, 1.5, -1.5, -1.5], 8)
    place = np.column_stack([np.repeat([3.0, -3.0] * 2, 8), y, z])
    away = np.zeros((32, 3))
    away[:, 1] = 0.25
    away[y < 0, 1] += 0.2
    assert split_jaws(place, np.ones(32), away).present == ("lower",)
    split = split_jaws(place, np.ones(32), away, both=True)
    assert (split.upper == (y > 0)).all()
