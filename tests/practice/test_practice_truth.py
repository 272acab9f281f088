"""The truth of a made specimen against its own volume: counts, places, sides, sockets."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy import ndimage

from ossicle.practice import Made, build
from ossicle.practice.ear import tube
from ossicle.practice.making import presets
from ossicle.practice.truth import volume_of

TOOTH_KEYS = {
    "label",
    "name",
    "jaw",
    "side",
    "class",
    "position",
    "generation",
    "emergence",
    "emergence_fraction",
    "complete",
    "replaces",
    "replaced_by",
    "centroid_mm_xyz",
    "length_mm",
    "width_mm",
    "crown_height_mm",
    "volume_mm3",
    "enamel_volume_mm3",
}
KEYS = {
    "schema",
    "invented",
    "note",
    "preset",
    "animal",
    "stage",
    "seed",
    "faults",
    "made_by",
    "scan",
    "pose",
    "teeth",
    "formula",
    "parts",
    "openings",
    "jaw",
    "ear",
    "measurements",
    "landmarks",
}


def centroid(m: Made, label: int) -> np.ndarray:
    """Scan mm (x, y, z) of a label's middle, from the volume."""
    zyx = np.argwhere(m.labels == label).mean(0)
    return (zyx * np.array(m.spacing_mm_zyx))[::-1]


def test_record_is_complete_and_plain_json(juvenile: Made) -> None:
    t = json.loads(json.dumps(juvenile.truth, allow_nan=False))
    assert set(t) >= KEYS
    assert t["schema"] == "ossicle-practice-truth/1"
    assert t["invented"] is True
    assert t["scan"]["shape_zyx"] == list(juvenile.values.shape)
    for row in t["teeth"]:
        assert set(row) >= TOOTH_KEYS
    for row in t["openings"]:
        assert {
            "term",
            "side",
            "area_mm2",
            "length_mm",
            "width_mm",
            "perimeter_mm",
            "centroid_mm_xyz",
        } <= set(row)
    assert len(t["jaw"]) == len(t["ear"]) == 2
    assert {
        "stapes_minimum_thickness_mm",
        "oval_window_mm2",
        "round_window_mm2",
        "cochlear_turns",
        "labyrinth_volume_mm3",
        "floor",
    } <= set(t["ear"][0])


def test_every_label_is_named_once(juvenile: Made) -> None:
    labels = set(np.unique(juvenile.labels).tolist()) - {0}
    named = [p["label"] for p in juvenile.truth["parts"]]
    assert sorted(named) == sorted(labels)
    assert {t["label"] for t in juvenile.truth["teeth"]} <= labels
    kinds = {p["kind"] for p in juvenile.truth["parts"]}
    assert kinds == {"bone", "tooth", "cavity", "opening", "ossicle"}


def test_volumes_agree_with_counted_voxels(juvenile: Made) -> None:
    cell = float(np.prod(juvenile.spacing_mm_zyx))
    counts = np.bincount(juvenile.labels.ravel())
    rows = juvenile.truth["teeth"]
    whole = np.array([r["whole_volume_mm3"] for r in rows])
    counted = np.array([counts[r["label"]] * cell for r in rows])
    assert counted.sum() == pytest.approx(whole.sum(), rel=0.02)
    big = whole > 120 * cell
    assert big.sum() > 25
    assert np.abs(counted[big] / whole[big] - 1).max() < 0.12
    enamel = float(juvenile.specimen.mix.share[4].sum(dtype=float)) / 255 * cell
    assert enamel == pytest.approx(sum(r["enamel_volume_mm3"] for r in rows), rel=0.04)


def test_centroids_and_pose_agree_with_the_volume(juvenile: Made) -> None:
    pose = np.array(juvenile.truth["pose"]["scan_to_skull"])
    assert np.linalg.det(pose[:3, :3]) == pytest.approx(1.0)
    for r in juvenile.truth["teeth"][::5]:
        c = centroid(juvenile, r["label"])
        assert np.linalg.norm(c - np.array(r["centroid_mm_xyz"])) < 0.2
        x, _, z = (pose @ [*c, 1.0])[:3]
        assert (x > 0) == (r["side"] == "left")
        if r["class"] == "incisor":
            assert z > 0


@pytest.mark.parametrize("mirrored", [False, True])
def test_left_is_the_animals_left(mirrored: bool) -> None:
    """Front, top and left of the animal, found from its own parts in the volume, make a right-handed frame
    unless mirrored.
    """
    from dataclasses import replace

    from ossicle.practice.scanner import preset

    m = build("carnivore-like-adult", seed=5, voxel_mm=0.3, settings=replace(preset("clean"), mirrored=mirrored))
    label = {(p["term"], p["side"]): p["label"] for p in m.truth["parts"]}
    brain, nose = (centroid(m, label[t, "midline"]) for t in ("cranial cavity", "nasal cavity"))
    jaws = [centroid(m, label["dentary", s]) for s in ("left", "right")]
    front, left = nose - brain, jaws[0] - jaws[1]
    top = brain - (jaws[0] + jaws[1]) / 2
    hand = float(np.dot(np.cross(left, top), front))
    assert (hand > 0) != mirrored
    assert m.truth["scan"]["mirrored"] is mirrored
    assert np.sign(np.linalg.det(np.array(m.truth["pose"]["scan_to_skull"])[:3, :3])) == (-1 if mirrored else 1)


def test_formula_counts_the_teeth_that_show(juvenile: Made, adult: Made) -> None:
    for m in (juvenile, adult):
        f = m.truth["formula"]
        shown = [t for t in m.truth["teeth"] if t["emergence"] != "in_crypt"]
        assert sum(sum(q.values()) for q in f["quadrants"].values()) == len(shown)
        for t in shown:
            key = ("d" if t["generation"] == "deciduous" else "") + t["class"][0].upper()
            assert f["quadrants"][f"{t['jaw']}_{t['side']}"][key] >= 1
    assert adult.truth["formula"]["text"] == "I5/4 C1/1 P3/3 M4/4"


def test_pairs_point_at_each_other(juvenile: Made) -> None:
    rows = {t["label"]: t for t in juvenile.truth["teeth"]}
    pairs = [t for t in rows.values() if t["replaced_by"] is not None]
    assert len(pairs) > 15
    for t in pairs:
        assert rows[t["replaced_by"]]["replaces"] == t["label"]


def test_roots_stand_in_bone_and_crowns_outside(adult: Made) -> None:
    """A little out from a root there is bone; a little out from an erupted crown there mostly is none."""
    s = adult.specimen
    inv = np.linalg.inv(s.grid.index_to_skull)
    root, crown = [], []
    for t in s.anatomy.teeth:
        p = t.model.surface
        eps = 0.02
        grad = np.stack([t.model.solid.at(p + eps * np.eye(3)[i]) - t.model.solid.at(p) for i in range(3)], axis=1)
        grad /= np.linalg.norm(grad, axis=1, keepdims=True) + 1e-9
        q = (p + 0.42 * grad) @ t.to_skull[:3, :3].T + t.to_skull[:3, 3]
        i = np.rint(q @ inv[:3, :3].T + inv[:3, 3]).astype(int)
        tissue = adult.tissue[i[:, 2], i[:, 1], i[:, 0]]
        deep = (p[:, 2] < t.crest - 0.5) & (p[:, 2] > -0.9 * t.shape.root)
        root.append(tissue[deep] == 2)
        crown.append(tissue[p[:, 2] > t.crest + 0.4] == 2)
    assert np.concatenate(root).mean() > 0.8
    assert np.concatenate(crown).mean() < 0.1


def test_crypts_are_closed_in_by_bone_and_filled(juvenile: Made) -> None:
    for t in juvenile.truth["teeth"]:
        if t["emergence"] != "in_crypt" or t["whole_volume_mm3"] < 0.3:
            continue
        mask = juvenile.labels == t["label"]
        box = tuple(slice(max(a.start - 8, 0), a.stop + 8) for a in ndimage.find_objects(mask.astype(np.uint8))[0])
        near = ndimage.distance_transform_edt(~mask[box], sampling=juvenile.spacing_mm_zyx)
        space = juvenile.tissue[box][(near > 0) & (near < 0.2)]
        beyond = juvenile.tissue[box][(near > 0.5) & (near < 0.8)]
        assert (space == 1).mean() > 0.4, t["name"]
        assert (beyond == 2).mean() > 0.3, t["name"]


def test_opening_sizes_are_those_of_the_solids_that_cut_them(adult: Made) -> None:
    for o in adult.specimen.anatomy.openings:
        span = o.solid.hi - o.solid.lo
        length = float(span[2 if o.term == "foramen magnum" else 1]) - 2 * max(o.half_axes)
        assert volume_of(o.solid, 0.04) / length == pytest.approx(o.record()["area_mm2"], rel=0.12)
    unit = tube([0, 0, 0], [0, 2, 0], 0.3, 0.9)
    assert volume_of(unit, 0.03) / 2 == pytest.approx(np.pi * 0.27, rel=0.02)


def test_openings_open_the_palate(adult: Made) -> None:
    rows = [o for o in adult.truth["openings"] if "fenestra" in o["term"] or "incisive" in o["term"]]
    assert len(rows) >= 6
    for o in rows:
        i = np.rint(np.array(o["centroid_mm_xyz"])[::-1] / np.array(adult.spacing_mm_zyx)).astype(int)
        assert adult.tissue[tuple(i)] == 0, o["term"]


def test_labyrinth_volume_by_counting() -> None:
    m = build("small-placental-adult", seed=1, voxel_mm=0.07)
    label = {(p["term"], p["side"]): p["label"] for p in m.truth["parts"]}
    for ear in m.truth["ear"]:
        counted = (m.labels == label["bony labyrinth", ear["side"]]).sum() * 0.07**3
        assert counted == pytest.approx(ear["labyrinth_volume_mm3"], rel=0.08)


def test_same_seed_same_scan_other_seed_other_animal() -> None:
    a, b, c = (build("edentulous-adult", seed=s, voxel_mm=0.6) for s in (1, 1, 2))
    assert (a.values == b.values).all()
    assert a.truth == b.truth
    assert a.values.shape != c.values.shape or (a.values != c.values).any()


def test_tissues_overlap_in_grey() -> None:
    """Bone, petrosal and dentine are not to be told apart by one level; enamel is clearly denser than
    dentine.
    """
    m = build("carnivore-like-adult", seed=2, voxel_mm=0.15)
    inner = {k: ndimage.binary_erosion(m.tissue == k) for k in (2, 3, 4)}
    petrosal = np.isin(m.labels, [p["label"] for p in m.truth["parts"] if p["term"] == "petrosal"]) & inner[2]
    grey = {k: m.values[v].astype(float) for k, v in inner.items()}
    zero = m.sidecar["grey_at_zero_attenuation"]
    bone, dentine, enamel = (np.median(grey[k]) - zero for k in (2, 3, 4))
    assert bone < dentine < enamel
    assert 1.3 < enamel / dentine < 1.9
    assert (np.median(m.values[petrosal]) - zero) / dentine == pytest.approx(1.0, abs=0.12)
    assert np.percentile(grey[2], 95) > np.percentile(grey[3], 25)


@pytest.mark.parametrize(
    "preset",
    [
        f"{a}-{s}"
        for a, s in zip(
            (
                "bat-like",
                "browser-like",
                "carnivore-like",
                "diprotodont",
                "edentulous",
                "metatherian",
                "rodent-like",
                "small-placental",
            ),
            ("newborn", "subadult", "old", "newborn", "juvenile", "subadult", "juvenile", "old"),
            strict=True,
        )
    ],
)
def test_presets_build(preset: str) -> None:
    m = build(preset, seed=3, voxel_mm=4 * presets()[preset].voxel_mm)
    assert m.values.ndim == 3
    assert m.values.dtype == np.uint16
    assert (m.tissue == 2).any()
    assert all(t["volume_mm3"] > 0 for t in m.truth["teeth"])


@pytest.mark.slow
@pytest.mark.parametrize(
    ("preset", "seed"), [(name, 11 + i % 4) for i, name in enumerate(sorted(presets())) if i % 2 == 0]
)
def test_presets_build_without_overlaps(preset: str, seed: int) -> None:
    from ossicle.practice.teeth import clearance

    m = build(preset, seed=seed, voxel_mm=4 * presets()[preset].voxel_mm)
    teeth = m.specimen.anatomy.teeth
    for i, t in enumerate(teeth):
        assert clearance(t, teeth[i + 1 :], coarse=2) > -0.06


def test_measurements_follow_the_model_not_the_grid() -> None:
    """The same specimen at two voxel sizes and poses has the same measures; those with a known answer have
    it.
    """
    fine = build("rodent-like-adult", seed=1, voxel_mm=0.15, tilt_deg=1.0)
    coarse = build("rodent-like-adult", seed=1, voxel_mm=0.24, tilt_deg=25.0)
    a, b = ({r["name"]: r["value"] for r in m.truth["measurements"]} for m in (fine, coarse))
    assert len(a) >= 15
    assert set(a) == set(b)
    for name, value in a.items():
        assert b[name] == pytest.approx(value, rel=0.02, abs=0.15), name
    # the hull's two ends stand in the design: 6.4 to -29.2 mm, and the size of the animal multiplies both
    s = fine.specimen.anatomy
    ends = s.grow.along(np.array([6.4, -29.2])) * s.animal.scale
    assert a["greatest length of skull"] == pytest.approx(float(ends[0] - ends[1]), rel=0.06)
    assert a["greatest length of skull"] > a["basal length"] > a["nasal length"]
    assert a["zygomatic breadth"] > a["breadth of braincase"] > a["interorbital breadth"]


def test_surface_points_lie_on_the_surface() -> None:
    m = build("edentulous-adult", seed=1, voxel_mm=0.3)
    points, owner = m.specimen.surfaces["left dentary"]
    solids = [op.solid for op in m.specimen.anatomy.dentaries["left"].ops if op.verb == "add"]
    back = np.linalg.inv(m.specimen.anatomy.jaw["left"])
    p = points @ back[:3, :3].T + back[:3, 3]
    nearest = np.min([s.at(p) for s in solids], axis=0)
    assert np.median(np.abs(nearest)) < 0.05
    assert (owner > 0).mean() > 0.8
