"""Each fault of real collections does what it says, in the volume and in truth."""

from __future__ import annotations

import numpy as np
import pytest

from ossicle.errors import OssicleError
from ossicle.practice import FAULTS, Made, build

COARSE = 0.22


def made(*faults: str, preset: str = "small-placental-adult", seed: int = 3) -> Made:
    return build(preset, seed=seed, voxel_mm=COARSE, faults=faults)


@pytest.fixture(scope="module")
def plain() -> Made:
    return made()


def names(m: Made) -> list[tuple[str, str]]:
    return [(t["name"], t["side"]) for t in m.truth["teeth"]]


def test_missing_teeth_leave_alveoli_and_healed_ones_do_not(plain: Made) -> None:
    m = made("missing-teeth", "healed-alveoli")
    gone = m.truth["missing"]
    assert {r["alveolus"] for r in gone} == {"empty", "healed"}
    assert len(names(m)) == len(names(plain)) - len(gone)
    for r in gone:
        assert (r["name"], r["side"]) not in names(m)
    # where a root stood there is now air in an empty alveolus
    ghosts = m.specimen.anatomy.ghosts
    assert len(ghosts) == sum(r["alveolus"] == "empty" for r in gone)
    inv = np.linalg.inv(m.specimen.grid.index_to_skull)
    for t in ghosts:
        q = t.to_skull[:3, :3] @ np.array([0, 0, t.crest - 0.25]) + t.to_skull[:3, 3]
        x, y, z = np.rint(inv[:3, :3] @ q + inv[:3, 3]).astype(int)
        assert m.tissue[z, y, x] != 3


def test_broken_crowns_have_less_enamel_and_say_so(plain: Made) -> None:
    m = made("broken-crowns")
    before = {(t["jaw"], t["name"], t["side"]): t for t in plain.truth["teeth"]}
    broken = [t for t in m.truth["teeth"] if not t["complete"]]
    assert 2 <= len(broken) <= 4
    for t in broken:
        assert t["enamel_volume_mm3"] < 0.9 * before[t["jaw"], t["name"], t["side"]]["enamel_volume_mm3"]
        assert "crown broken" in t["notes"]


def test_worn_crowns_are_low(plain: Made) -> None:
    m = made("worn")
    low = np.mean([t["crown_height_mm"] for t in m.truth["teeth"]])
    assert low < 0.75 * np.mean([t["crown_height_mm"] for t in plain.truth["teeth"]])


def test_an_extra_tooth_and_a_fused_pair(plain: Made) -> None:
    extra = made("extra-tooth")
    assert len(names(extra)) == len(names(plain)) + 1
    more = [t for t in extra.truth["teeth"] if "extra tooth" in t["notes"]]
    assert [t["position"] for t in more] == [4]
    fused = made("fused-teeth")
    assert len(names(fused)) == len(names(plain)) - 1
    pair = [t for t in fused.truth["teeth"] if any(n.startswith("fused with") for n in t["notes"])]
    assert len(pair) == 1
    alone = {(t["jaw"], t["name"], t["side"]): t for t in plain.truth["teeth"]}[
        pair[0]["jaw"], pair[0]["name"], pair[0]["side"]
    ]
    assert pair[0]["length_mm"] > 1.4 * alone["length_mm"]


def test_one_side_may_be_ahead() -> None:
    m = made("asymmetry", preset="small-placental-juvenile")
    formed = {
        s: sum(
            t["crown_formed"] + t["root_formed"]
            for t in m.truth["teeth"]
            if t["side"] == s and t["generation"] != "deciduous"
        )
        for s in ("left", "right")
    }
    assert abs(formed["left"] - formed["right"]) > 2


def test_a_lost_ossicle_is_absent() -> None:
    m = made("lost-ossicle")
    present = [p for p in m.truth["parts"] if p["kind"] == "ossicle"]
    states = [s for e in m.truth["ear"] for s in e["ossicles"].values()]
    assert states.count("absent") == 1
    assert len(present) <= 5


def test_detached_dentaries_lie_beside_the_cranium(plain: Made) -> None:
    m = made("detached-dentaries")
    assert len(names(m)) == len(names(plain))
    assert m.values.size > plain.values.size
    assert not any(r["name"] == "gape" for r in m.truth["measurements"])
    pose = np.array(m.truth["pose"]["scan_to_skull"])
    for t in m.truth["teeth"]:
        if t["jaw"] == "lower":
            x = float((pose @ [*t["centroid_mm_xyz"], 1.0])[0])
            assert (x > 0) == (t["side"] == "left")
            assert abs(x) > 5


def test_parts_alone() -> None:
    jaws = made("dentaries-alone")
    assert {t["jaw"] for t in jaws.truth["teeth"]} == {"lower"}
    assert {p["term"] for p in jaws.truth["parts"] if p["kind"] == "bone"} == {"dentary"}
    assert jaws.truth["ear"] == jaws.truth["openings"] == []
    skull = made("cranium-alone")
    assert {t["jaw"] for t in skull.truth["teeth"]} == {"upper"}
    assert skull.truth["jaw"] == []


def test_two_specimens_have_labels_and_poses_of_their_own(plain: Made) -> None:
    m = made("two-specimens")
    other = m.truth["others"][0]
    labels = set(np.unique(m.labels).tolist())
    mine, theirs = ({t["label"] for t in r["teeth"]} for r in (m.truth, other))
    assert mine <= labels
    assert theirs <= labels
    assert not mine & theirs
    assert other["pose"] != m.truth["pose"]
    assert len(other["teeth"]) == len(plain.truth["teeth"])


def test_a_cut_specimen_says_which_teeth_are_cut(plain: Made) -> None:
    for seed in (3, 4):
        m = build("small-placental-adult", seed=seed, voxel_mm=COARSE, faults=["cropped"])
        whole = build("small-placental-adult", seed=seed, voxel_mm=COARSE)
        assert m.values.size < whole.values.size
        touching = set()
        for axis in range(3):
            for end in (0, -1):
                touching |= set(np.unique(np.take(m.labels, end, axis)).tolist())
        for t in m.truth["teeth"]:
            if t["label"] in touching:
                assert not t["complete"] or t["share_in_scan"] > 0.99


def test_surroundings_are_foreign_or_fluid(plain: Made) -> None:
    assert not (plain.tissue == 5).any()
    for fault in ("foam", "tube", "pin", "tag"):
        m = made(fault)
        assert (m.tissue == 5).sum() > 20, fault
        assert (m.labels[m.tissue == 5] == 0).all(), fault
    wet = made("wet")
    assert (wet.tissue == 6).mean() > 0.4
    assert not (wet.tissue == 0).any()


def test_faults_combine_and_are_recorded() -> None:
    wanted = ["missing-teeth", "foam", "cropped", "broken-crowns", "lost-ossicle"]
    m = made(*wanted, preset="carnivore-like-adult")
    assert sorted(m.truth["faults"]) == sorted(wanted)


def test_unknown_and_impossible_faults_are_refused() -> None:
    with pytest.raises(OssicleError, match="choose from"):
        made("caries")
    with pytest.raises(OssicleError, match="no dentaries"):
        made("cranium-alone", "detached-dentaries")
    assert all(FAULTS.values())
