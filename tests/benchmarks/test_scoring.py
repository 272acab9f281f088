"""The bench's scores move by exactly what a change in the prediction deserves."""

from __future__ import annotations

import copy
import json
from typing import Any

import numpy as np
import pytest
from benchmarks.scoring import match, overlap, pose_error, said_pairs, score, shown_loci
from hypothesis import given
from hypothesis import strategies as st

N = 6  # teeth in the toy row: two of them form a succession pair


def toy() -> tuple[dict[str, Any], dict[str, Any], np.ndarray, np.ndarray]:
    """Six block teeth in a row (labels 11 to 16, parts 21 to 26), 14 below 13: truth, account, volumes."""
    true = np.zeros((12, 12, 8 * N), np.uint16)
    teeth = []
    for k in range(N):
        true[2:10, 3:9, 8 * k + 1 : 8 * k + 7] = 11 + k
        teeth.append(
            {
                "label": 11 + k,
                "name": f"P{k + 1}",
                "jaw": "upper",
                "side": "left" if k < 3 else "right",
                "class": "premolar",
                "position": k % 3 + 1,
                "generation": "permanent",
                "emergence": "erupted",
                "emergence_fraction": 1.0,
                "complete": True,
                "replaces": None,
                "replaced_by": None,
                "length_mm": 2.0,
                "width_mm": 1.0,
            }
        )
    teeth[2].update(generation="deciduous", replaced_by=14)
    teeth[3].update(replaces=13, emergence="in_crypt", emergence_fraction=0.0)
    truth = {
        "teeth": teeth,
        "scan": {"spacing_mm_zyx": [0.1, 0.1, 0.1]},
        "pose": {"scan_to_skull": np.eye(4).tolist()},
        "formula": {"text": "P3/0"},
    }
    account = json.loads(json.dumps(truth))
    for t in account["teeth"]:
        t["part"] = t.pop("label") + 10
        t["replaces"] = t["replaces"] and t["replaces"] + 10
        t["replaced_by"] = t["replaced_by"] and t["replaced_by"] + 10
        t["confidence"] = 0.9
    pred = np.where(true > 0, true + 10, 0).astype(np.uint16)
    return truth, account, true, pred


def tissue_of(true: np.ndarray) -> np.ndarray:
    """Dentine, with enamel on the half of low y."""
    t = np.where(true > 0, 3, 0).astype(np.uint8)
    t[:, :6][true[:, :6] > 0] = 4
    return t


def test_perfect_reading_scores_one() -> None:
    truth, account, true, pred = toy()
    s = score(truth, account, true, pred, tissue_of(true), tissue_of(true) == 4)
    assert (s.true_teeth, s.found, s.predicted, s.false_teeth) == (N, N, N, 0)
    assert (s.locus_right, s.generation_right, s.emergence_right) == (N, N, N)
    assert (s.pairs_true, s.pairs_right, s.pairs_false) == (1, 1, 0)
    assert s.formula_right
    assert s.quadrants_right == 4
    assert s.pose_error_deg == pytest.approx(0)
    assert s.sides_swapped is False
    assert all(t.dice == 1 and t.enamel_inside == 1 and t.fraction_error == 0 and not t.remark for t in s.teeth)
    assert s.enamel_dice == 1
    assert s.reliability == [(0.9, True)] * N


def test_missing_tooth_costs_one_find_and_its_pair() -> None:
    truth, account, true, pred = toy()
    pred[pred == 24] = 0
    account["teeth"] = [t for t in account["teeth"] if t["part"] != 24]
    s = score(truth, account, true, pred)
    assert (s.found, s.predicted, s.false_teeth, s.locus_right) == (N - 1, N - 1, 0, N - 1)
    assert [t.remark for t in s.teeth if t.part is None] == ["missed"]
    assert (s.pairs_right, s.pairs_false) == (0, 1)  # part 23 still claims a successor that is no part


def test_invented_tooth_costs_precision_only() -> None:
    truth, account, true, pred = toy()
    pred[0:2, 0:3, 0:20] = 40
    account["teeth"].append({**account["teeth"][0], "part": 40, "confidence": 0.7})
    s = score(truth, account, true, pred)
    assert (s.found, s.predicted, s.false_teeth, s.locus_right) == (N, N + 1, 1, N)
    assert s.invented[0]["on_true_label"] is None
    assert (0.7, False) in s.reliability


def test_merged_teeth_count_one_found_one_missed_none_false() -> None:
    truth, account, true, pred = toy()
    pred[pred == 22] = 21
    account["teeth"] = [t for t in account["teeth"] if t["part"] != 22]
    s = score(truth, account, true, pred)
    assert (s.found, s.false_teeth) == (N - 1, 0)
    assert sorted(t.dice for t in s.teeth)[:2] == pytest.approx([0, 2 / 3])  # 2*n / (n + 2n)
    assert "merged into part 21" in next(t.remark for t in s.teeth if t.part is None)


def test_split_tooth_is_found_once_and_its_other_half_is_false() -> None:
    truth, account, true, pred = toy()
    lower = pred == 21
    lower[:7] = False  # 3 of 8 slices go to a part of their own
    pred[lower] = 41
    account["teeth"].append({**account["teeth"][0], "part": 41})
    s = score(truth, account, true, pred)
    assert (s.found, s.predicted, s.false_teeth) == (N, N + 1, 1)
    assert s.teeth[0].dice == pytest.approx(2 * 5 / (8 + 5))
    assert s.invented[0]["on_true_label"] == 11
    assert s.invented[0]["share_on_it"] == 1


@pytest.mark.parametrize(
    ("change", "lost"),
    [
        ({"position": 4}, (1, 0, 0)),
        ({"side": "right"}, (1, 0, 0)),
        ({"jaw": "lower"}, (1, 0, 0)),
        ({"class": "molar"}, (1, 0, 0)),
        ({"generation": "deciduous"}, (0, 1, 0)),
        ({"emergence": "erupting"}, (0, 0, 1)),
        ({"position": 4, "generation": "unreplaced"}, (1, 1, 0)),
    ],
)
def test_misnamed_tooth_moves_only_what_is_wrong(change: dict[str, Any], lost: tuple[int, int, int]) -> None:
    truth, account, true, pred = toy()
    account["teeth"][0].update(change)
    s = score(truth, account, true, pred)
    assert (N - s.locus_right, N - s.generation_right, N - s.emergence_right) == lost
    assert s.found == N
    assert s.teeth[0].remark
    assert s.reliability.count((0.9, False)) == int(lost[0] or lost[1])


def test_wrong_pair_is_false_and_the_true_one_is_not_right() -> None:
    truth, account, true, pred = toy()
    account["teeth"][2]["replaced_by"] = 25
    account["teeth"][3]["replaces"] = None
    s = score(truth, account, true, pred)
    assert (s.pairs_right, s.pairs_false) == (0, 1)


def test_a_pair_stated_from_one_end_only_counts() -> None:
    assert said_pairs([{"part": 1, "replaced_by": 2}, {"part": 2}]) == {(1, 2)}
    assert said_pairs([{"part": 1}, {"part": 2, "replaces": 1}]) == {(1, 2)}


def test_wrong_formula_in_one_quadrant() -> None:
    truth, account, true, pred = toy()
    account["teeth"][3]["emergence"] = "erupting"  # was in its crypt: now the quadrant shows one locus more
    s = score(truth, account, true, pred)
    assert (s.formula_right, s.quadrants_right) == (False, 3)


def test_a_locus_with_both_generations_out_counts_once() -> None:
    tooth = {"jaw": "upper", "side": "left", "class": "premolar", "position": 3, "emergence": "erupting"}
    shown = shown_loci([tooth, {**tooth, "emergence": "erupted"}, {**tooth, "position": 4, "emergence": "in_crypt"}])
    assert shown["upper_left"] == {"premolar": 1}
    assert shown["lower_left"] == {}


def test_sizes_are_compared_for_complete_teeth_only() -> None:
    truth, account, true, pred = toy()
    account["teeth"][0]["length_mm"] = 2.25
    truth["teeth"][1]["complete"] = False
    s = score(truth, account, true, pred)
    assert s.teeth[0].length_error_mm == pytest.approx(0.25)
    assert s.teeth[1].length_error_mm is None
    assert s.teeth[2].width_error_mm == 0


def test_tiny_teeth_neither_cost_nor_earn() -> None:
    truth, account, true, pred = toy()
    tiny = true == 12
    tiny[2:4, 3:5, :] = False
    true[tiny] = 0  # 24 voxels left, so still counted
    assert score(truth, account, true, pred).true_teeth == N
    true[true == 12] = 0
    true[2, 3, 9:13] = 12
    pred[pred == 22] = 0
    pred[2, 3, 9:13] = 22
    s = score(truth, account, true, pred)
    assert (s.true_teeth, s.found, s.predicted, s.false_teeth) == (N - 1, N - 1, N - 1, 0)
    pred[pred == 22] = 0
    account["teeth"] = [t for t in account["teeth"] if t["part"] != 22]
    s = score(truth, account, true, pred)
    assert (s.true_teeth, s.found, s.predicted, s.false_teeth) == (N - 1, N - 1, N - 1, 0)


def test_shrunken_tooth_dice_and_enamel() -> None:
    truth, account, true, pred = toy()
    half = (pred == 21) & (np.arange(12)[None, :, None] < 6)
    pred[half] = 0  # the enamel half is lost
    s = score(truth, account, true, pred, tissue_of(true))
    assert s.teeth[0].dice == pytest.approx(2 / 3)
    assert s.teeth[0].enamel_inside == 0
    assert s.teeth[1].enamel_inside == 1


def test_enamel_is_scored_tooth_by_tooth() -> None:
    truth, account, true, pred = toy()
    said = tissue_of(true) == 4
    said[(pred == 21) & (np.arange(12)[None, :, None] < 3)] = False  # half of one tooth's enamel is not said to be it
    s = score(truth, account, true, pred, tissue_of(true), said)
    lost = int((tissue_of(true) == 4)[pred == 21].sum()) - int(said[pred == 21].sum())
    whole = int((tissue_of(true) == 4)[pred == 21].sum())
    assert s.teeth[0].enamel_dice == pytest.approx(2 * (whole - lost) / (2 * whole - lost))
    assert all(t.enamel_dice == 1 for t in s.teeth[1:])


def test_labels_only_scoring_needs_no_account() -> None:
    truth, _, true, pred = toy()
    s = score(truth, None, true, pred)
    assert (s.found, s.false_teeth, s.locus_right, s.pairs_right) == (N, 0, 0, 0)
    assert s.pose_error_deg is None


def test_grids_that_differ_are_refused() -> None:
    with pytest.raises(ValueError, match="not on one grid"):
        overlap(np.zeros((2, 2, 2), int), np.zeros((2, 2, 3), int), [1], [1])


def test_matching_is_the_best_in_sum_not_greedy() -> None:
    true = np.zeros((1, 1, 40), int)
    pred = np.zeros((1, 1, 40), int)
    true[..., :10], true[..., 10:20] = 1, 2
    pred[..., 4:14], pred[..., 14:20] = 1, 2
    # tooth 1 shares 6 with part 1; tooth 2 shares 4 with part 1 and 6 with part 2
    found = match(overlap(true, pred, [1, 2], [1, 2]))
    assert {k: v[0] for k, v in found.items()} == {1: 1, 2: 2}


def test_pose_error_of_known_rotations() -> None:
    a = np.eye(4)
    angle = np.radians(30)
    b = np.eye(4)
    b[:2, :2] = [[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]
    assert pose_error(a, b)[0] == pytest.approx(30)
    assert pose_error(a, np.diag([-1, 1, -1, 1]))[1] is True
    assert pose_error(a, np.diag([1, -1, -1, 1])) == (pytest.approx(180), False)


@given(st.permutations(range(N)))
def test_numbering_of_parts_does_not_matter(order: list[int]) -> None:
    truth, account, true, pred = toy()
    table = np.arange(100)
    table[21 : 21 + N] = [50 + k for k in order]
    shuffled = copy.deepcopy(account)
    for t in shuffled["teeth"]:
        for key in ("part", "replaces", "replaced_by"):
            t[key] = t[key] and int(table[t[key]])
    s = score(truth, shuffled, true, table[pred])
    assert (s.found, s.locus_right, s.pairs_right, s.pairs_false) == (N, N, 1, 0)
