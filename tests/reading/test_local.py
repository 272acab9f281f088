"""A place read again after a person's word, on drawn teeth. The network is replaced by one that knows: what it does on
scans is measured by ``benchmarks.desk``."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.append(str(Path(__file__).parent.parent / "account"))
sys.path.append(str(Path(__file__).parent.parent / "desk"))

from desk_world import BONE, drawn
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import find_objects, gaussian_filter
from sketch import SPACING

from ossicle.reading import local
from ossicle.reading.hints import Cut, Join, MissedTooth
from ossicle.reading.records import Ground, Reading
from ossicle.scans.patched import PatchedVolume

STEP = (SPACING,) * 3
READING, GREY = drawn()
READING = replace(READING, ground=Ground(0.0, 300.0, 0.6, 1.0, 3.0, 0.01))


@pytest.fixture(autouse=True)
def _network(monkeypatch: pytest.MonkeyPatch) -> None:
    """A network that is sure of tooth where it is brighter than bone, and of 'between' in the dips."""

    def look(name: str, values: np.ndarray) -> np.ndarray:
        assert name == "tooth_network"
        tooth = np.clip((values - 1.15) / 0.3, 0, 1)
        between = np.clip(gaussian_filter(tooth, 1.5) - tooth, 0, 1)
        return np.stack([tooth, np.clip(values - 2.0, 0, 1), between]).astype(np.float32)

    monkeypatch.setattr(local, "look", look)


def boxes(reading: Reading) -> dict[int, tuple[slice, slice, slice]]:
    found = find_objects(np.asarray(reading.labels))
    return {part: box for part, box in enumerate(found, start=1) if box is not None}


def again(reading: Reading, word: Join | Cut | MissedTooth) -> local.Change | None:
    return local.read_again(reading, STEP, boxes(reading), lambda box: GREY[box], word)


def tooth(name: str, jaw: str = "upper", side: str = "left"):
    return next(t for t in READING.teeth if (t.name, t.jaw, t.side) == (name, jaw, side))


def middle(mask: np.ndarray) -> tuple[float, float, float]:
    """A point inside a mask, scan mm."""
    where = np.argwhere(mask)
    z, y, x = where[np.argmin(((where - where.mean(axis=0)) ** 2).sum(axis=1))] * SPACING
    return float(x), float(y), float(z)


def halves(name: str) -> tuple[Reading, int, int, np.ndarray]:
    """The reading with one tooth in two pieces: both numbers, and the tooth's voxels."""
    one = tooth(name)
    labels = READING.labels.copy()
    own = labels == one.part
    z = np.argwhere(own)[:, 0]
    other = int(labels.max()) + 1
    labels[own & (np.arange(len(labels))[:, None, None] > np.median(z))] = other
    piece = replace(one, part=other, name="P9", volume_mm3=one.volume_mm3 / 3, replaces=None, replaced_by=None)
    part = next(p for p in READING.parts if p.part == one.part)
    return (
        replace(
            READING,
            labels=labels,
            teeth=(*READING.teeth, piece),
            parts=(*READING.parts, replace(part, part=other)),
            rows=tuple(
                replace(r, parts=(*r.parts, other)) if (r.jaw, r.side) == ("upper", "left") else r for r in READING.rows
            ),
        ),
        one.part,
        other,
        own,
    )


def test_two_pieces_become_one_tooth() -> None:
    reading, one, other, own = halves("dP4")
    change = again(reading, Join((middle(reading.labels == one), middle(reading.labels == other))))
    assert change is not None
    assert (change.changed, change.gone) == (frozenset({one}), frozenset({other}))
    np.testing.assert_array_equal(np.asarray(change.reading.labels) == one, own)
    assert not (np.asarray(change.reading.labels) == other).any()
    assert [t.name for t in change.reading.teeth if t.part == one] == ["dP4"]
    assert other not in {t.part for t in change.reading.teeth} | {p.part for p in change.reading.parts}
    assert all(other not in row.parts for row in change.reading.rows)
    assert sum(t.part == one for t in change.reading.teeth) == 1
    record = next(p for p in change.reading.parts if p.part == one)
    assert record.volume_mm3 == pytest.approx(own.sum() * SPACING**3)


def test_nothing_outside_the_teeth_meant_changes() -> None:
    reading, one, other, own = halves("dP4")
    change = again(reading, Join((middle(reading.labels == one), middle(reading.labels == other))))
    assert change is not None
    before, after = reading.labels, np.asarray(change.reading.labels)
    np.testing.assert_array_equal(before[~own], after[~own])
    kept = {t.part: t for t in reading.teeth}
    for t in change.reading.teeth:
        if t.part != one:
            assert t == kept[t.part]


def test_a_tooth_is_cut_between_its_seeds() -> None:
    first, second = tooth("dP3"), tooth("dP4")
    labels = READING.labels.copy()
    a, b = labels == first.part, labels == second.part
    labels[b] = first.part
    reading = replace(
        READING,
        labels=labels,
        teeth=tuple(t for t in READING.teeth if t.part != second.part),
        parts=tuple(p for p in READING.parts if p.part != second.part),
    )
    change = again(reading, Cut(middle(a), (middle(a), middle(b))))
    assert change is not None
    assert len(change.changed) == 2
    after = np.asarray(change.reading.labels)
    np.testing.assert_array_equal(np.isin(after, list(change.changed)), a | b)
    best = [max(np.count_nonzero((after == p) & m) / m.sum() for p in change.changed) for m in (a, b)]
    assert min(best) > 0.95
    assert first.part in change.changed
    new = next(iter(change.changed - {first.part}))
    assert new > READING.labels.max()
    found = {t.part: t for t in change.reading.teeth}
    assert (found[new].jaw, found[new].side) == ("upper", "left")
    assert found[new].detection_confidence == 1.0  # a person says that it is a tooth
    assert found[new].locus_confidence <= 0.5  # and nobody what it is called


def test_a_missed_tooth_is_found_from_a_point() -> None:
    for name, jaw, side in (("dP4", "upper", "left"), ("m3", "lower", "right")):
        missed = next(t for t in READING.teeth if (t.name.lower(), t.jaw, t.side) == (name.lower(), jaw, side))
        own = READING.labels == missed.part
        reading = replace(
            READING,
            labels=np.where(own, BONE, READING.labels),
            teeth=tuple(t for t in READING.teeth if t.part != missed.part),
            parts=tuple(p for p in READING.parts if p.part != missed.part),
        )
        change = again(reading, MissedTooth(middle(own)))
        assert change is not None
        (part,) = change.changed
        new = np.asarray(change.reading.labels) == part
        assert 2 * (new & own).sum() / (new.sum() + own.sum()) > 0.8
        found = next(t for t in change.reading.teeth if t.part == part)
        assert (found.jaw, found.side) == (jaw, side)
        others = np.isin(READING.labels, [t.part for t in reading.teeth])
        np.testing.assert_array_equal(np.asarray(change.reading.labels)[others], READING.labels[others])


def test_words_that_meet_nothing_change_nothing() -> None:
    inside = middle(READING.labels == tooth("dP4").part)
    air = (0.0, 0.0, 0.0)
    assert again(READING, Join((inside, air))) is None
    assert again(READING, Join((inside, inside))) is None
    assert again(READING, Cut(air, (air, inside))) is None
    assert again(READING, Cut(inside, (inside,))) is None
    assert again(READING, MissedTooth(inside)) is None


def test_a_place_at_the_edge_of_the_scan() -> None:
    change = again(READING, MissedTooth((0.0, 0.0, 0.0)))
    assert change is None or len(change.changed) == 1


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_a_patched_volume_is_the_volume_with_patches(data: st.DataObject) -> None:
    shape = tuple(data.draw(st.integers(1, 7)) for _ in range(3))
    rng = np.random.default_rng(data.draw(st.integers(0, 99)))
    base = rng.integers(0, 50, shape).astype(np.uint8)
    want, patched = base.astype(np.int32), base
    for _ in range(data.draw(st.integers(1, 3))):
        box = tuple(slice(*sorted(data.draw(st.tuples(st.integers(0, n), st.integers(0, n))))) for n in shape)
        patch = rng.integers(100, 200, [s.stop - s.start for s in box]).astype(np.int32)
        want[box] = patch
        patched = PatchedVolume(patched, [(box, patch)])
    keys = tuple(
        data.draw(st.one_of(st.integers(-n, n - 1), st.slices(n).filter(lambda s: s.step is None or s.step > 0)))
        for n in shape
    )
    keys = keys[: data.draw(st.integers(1, 3))]
    np.testing.assert_array_equal(patched[keys], want[keys])
    np.testing.assert_array_equal(np.asarray(patched), want)
    np.testing.assert_array_equal(patched[..., 0], want[..., 0])
