"""Empty alveoli, gaps and closed rows, on a jaw made of plain shapes."""

from __future__ import annotations

import numpy as np
import pytest

from ossicle.reading.alveoli import find_pits, vacancies
from ossicle.reading.records import ToothObservation

STEP = 0.1
MARGIN = 40  # voxels along y
PITCH, FIRST = 20, 180


def observation(part: int, k: int, height: float = 1.5) -> ToothObservation:
    z = (FIRST - PITCH * k) * STEP
    crown = (2.0, MARGIN * STEP + height / 2, z)
    return ToothObservation(
        part, "lower", "left", 0.0, 0.0, height / 2, crown, crown, (0.0, 1.0, 0.0), 1.4, 1.2, height, 2.0, 1.0, 0.3,
        0.95, 1.0, 1, 1, 0.9, None, False, 0.99,
    )  # fmt: skip


def jaw(missing: dict[int, str], teeth: int = 8) -> tuple[np.ndarray, np.ndarray, list[ToothObservation]]:
    """A bar of bone with teeth in sockets; of the missing ones the socket is ``open``, ``shallow`` or ``healed``."""
    z, y, x = np.indices((200, 70, 40))
    values = ((y < MARGIN) & (y > 8) & (x > 8) & (x < 32)).astype(np.float32)
    labels = np.zeros(values.shape, np.int32)
    seen = []
    for k in range(teeth):
        far = np.hypot(z - (FIRST - PITCH * k), x - 20)
        root = (far < 5) & (y < MARGIN) & (y > MARGIN - 20)
        if k in missing:
            depth = {"open": 20, "shallow": 4, "healed": 0}[missing[k]]
            values[(far < 6) & (y < MARGIN + 1) & (y > MARGIN - depth)] = 0 if depth else 1
            values[y >= MARGIN + 1] *= values[y >= MARGIN + 1] > 1 if not depth else 1
            continue
        values[(far < 6) & (y <= MARGIN) & (y > MARGIN - 21)] = 0  # the periodontal gap
        body = root | ((far < 6.5) & (y >= MARGIN) & (y < MARGIN + 15))
        values[body], labels[body] = 1.2, k + 1
        seen.append(observation(k + 1, k))
    return values, labels, seen


def curve() -> np.ndarray:
    z = np.linspace(190, 20, 60) * STEP
    return np.column_stack([np.full(60, 2.0), np.full(60, 4.5), z])


def test_an_open_socket_is_found_and_a_healed_or_shallow_one_is_none() -> None:
    values, labels, seen = jaw({2: "open", 4: "shallow", 6: "healed"})
    pits = find_pits(values, labels, (STEP,) * 3, np.eye(4), curve(), seen)
    assert len(pits) == 1
    assert pits[0].middle == pytest.approx((2.0, 3.0, (FIRST - 2 * PITCH) * STEP), abs=0.15)
    assert pits[0].depth_mm == pytest.approx(2.0, abs=0.2)
    assert pits[0].stop - pits[0].start == pytest.approx(1.2, abs=0.2)


def test_a_whole_row_has_no_pit() -> None:
    values, labels, seen = jaw({})
    assert find_pits(values, labels, (STEP,) * 3, np.eye(4), curve(), seen) == []


def test_a_row_at_the_edge_of_the_scan_invents_no_pit() -> None:
    values, labels, seen = jaw({2: "healed"})
    cut = slice(0, 29)  # the outer wall lies outside the scan
    assert find_pits(values[:, :, cut], labels[:, :, cut], (STEP,) * 3, np.eye(4), curve(), seen) == []


def test_the_three_states_and_a_socket_that_no_locus_calls_for() -> None:
    values, labels, seen = jaw({1: "open", 3: "healed", 5: "open"})
    pits = find_pits(values, labels, (STEP,) * 3, np.eye(4), curve(), seen)
    names = ["i1", "c", "p2", "p3", "p4", "m2", "m3"]  # p1 at 1 and m1 at 5 are not called for
    part = {"i1": 1, "c": 3, "p2": None, "p3": 5, "p4": None, "m2": 7, "m3": 8}
    by = {o.part: o for o in seen}
    told = vacancies(pits, [(n, part[n]) for n in names], {"p2": 1.4, "p4": 1.4}, curve(), by, "lower", "left")
    assert [(v.name, v.state) for v in told] == [(None, "empty_alveolus"), ("p2", "gap"), ("p4", "empty_alveolus")]
    gap = told[1].gap_mm
    assert gap == pytest.approx(2 * PITCH * STEP - 1.4, abs=0.05)
    closed = vacancies([], [("c", 7), ("p1", None), ("p2", 8)], {"p1": 1.4}, curve(), by, "lower", "left")
    assert [(v.name, v.state) for v in closed] == [("p1", "closed")]


def test_two_vacant_loci_share_the_pits_by_their_place() -> None:
    values, labels, seen = jaw({3: "healed", 4: "open"})
    pits = find_pits(values, labels, (STEP,) * 3, np.eye(4), curve(), seen)
    by = {o.part: o for o in seen}
    order = [("c", 3), ("p1", None), ("p2", None), ("p3", 6)]
    told = vacancies(pits, order, {"p1": 1.4, "p2": 1.4}, curve(), by, "lower", "left")
    assert [(v.name, v.state, v.pits) for v in told] == [("p1", "gap", 0), ("p2", "empty_alveolus", 1)]
