"""Bone told apart on solids drawn here: two dentaries below a cranium, joined to it by a dim contact."""

import numpy as np

from ossicle.reading.elements import find_elements
from ossicle.reading.greys import Normalised
from ossicle.reading.rows import JawSplit
from ossicle.reading.twins import mirrored_dentaries

RAMUS = (slice(10, 13), slice(37, 40))


def skull(contact: tuple[float, float]):
    """Greys and teeth (z, y, x) of 0.2 mm: a block above, two bars with an upright ramus below; ``contact`` is the
    grey of the ramus's joint with the block on either side."""
    values = np.zeros((60, 40, 50), np.float32)
    teeth = np.zeros(values.shape, np.int32)
    values[2:58, 26:38, 6:44] = 1.0
    for k, x in enumerate((8, 36)):
        values[4:56, 4:10, x : x + 6] = 1.0
        values[6:14, 10:25, RAMUS[k]] = 1.0
        values[8:12, 25, RAMUS[k]] = contact[k]
        teeth[30:50, 10:13, x + 1 : x + 5] = 1 + k
        teeth[30:50, 23:26, x + 1 : x + 5] = 3 + k
    values[teeth > 0] = 1.0
    values += np.random.default_rng(0).normal(0, 0.03, values.shape).astype(np.float32)
    return values, teeth


# x in the scan runs to the specimen's left; the midplane at column 24.5
POSE = np.array([[1.0, 0, 0, -4.9], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]])


def read(contact: tuple[float, float]):
    values, teeth = skull(contact)
    normal = Normalised(values, *(0.0,) * (len(Normalised.__dataclass_fields__) - 1))
    jaws = {1: ("lower", "right"), 2: ("lower", "left"), 3: ("upper", "right"), 4: ("upper", "left")}
    split = JawSplit(np.zeros(0, bool), (0.0, 0.0, 0.0), ("upper", "lower"), 1.0)
    labels, elements = find_elements(teeth, normal, (0.2,) * 3, POSE, split, jaws, 100)  # type: ignore[arg-type]
    return labels, {(e.term, e.side): e.label for e in elements}


def test_a_joint_is_severed_where_it_is_dim() -> None:
    labels, said = read((0.7, 0.7))
    assert {("cranium", None), ("dentary", "left"), ("dentary", "right")} <= set(said)
    for side, x in (("right", 0), ("left", 1)):
        ramus = labels[6:14, 10:24, RAMUS[x]]
        assert (ramus == said["dentary", side]).mean() > 0.98
    assert (labels[2:58, 28:38, 6:44] == said["cranium", None]).mean() > 0.98


def test_the_mirror_image_gives_a_lost_ramus_back() -> None:
    values, _ = skull((1.0, 1.0))
    bone = values > 0.5
    left = np.zeros(bone.shape, bool)
    left[:, :, 25:] = True
    whole = np.zeros(bone.shape, bool)
    whole[:, :24, :] = bone[:, :24, :]
    short = whole.copy()
    short[6:14, 10:24, RAMUS[1]] = False
    found = mirrored_dentaries(short, bone, left, (0.2,) * 3, POSE)
    # the middle of the lost ramus comes back, and nothing of the cranium
    assert found[8:12, 12:22, 38].mean() > 0.9
    assert not found[:, 27:, :].any()


def test_one_dentary_has_no_counterpart() -> None:
    values, _ = skull((1.0, 1.0))
    bone = values > 0.5
    left = np.zeros(bone.shape, bool)
    left[:, :, 25:] = True
    one = bone & left
    one[:, 24:] = False
    assert not mirrored_dentaries(one, bone, left, (0.2,) * 3, POSE).any()
