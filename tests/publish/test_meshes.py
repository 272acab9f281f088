"""Meshes against closed forms, and their files against independent readers and the makers' own validator."""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import platformdirs
import pytest
import trimesh
from scipy.spatial import cKDTree

from ossicle.cli import main
from ossicle.compare import Compared
from ossicle.errors import OssicleError
from ossicle.publish.meshes import PartMesh, mesh_of, meshes_of, print_check, true_contour
from ossicle.publish.meshfiles import ply_bytes, scene_bytes, stl_bytes, write_meshes
from ossicle.publish.naming import names_of, parts_named
from ossicle.publish.surfaces import Surface, closed_volume
from ossicle.reading.records import Part

VALIDATOR = "2.0.0-dev.3.10"
STEP = 0.1


def labelled(specimen: Compared, mask: np.ndarray, name: str = "bulla") -> Compared:
    """A specimen of one part whose labels are ``mask``, in voxels of 0.1 mm."""
    facts = replace(specimen.account.scan, shape_zyx=mask.shape, spacing_mm_zyx=(STEP, STEP, STEP))
    part = Part(1, "bone", name, "left", float(mask.sum()) * STEP**3, (0, 0, 0), 1.0)
    account = replace(specimen.account, scan=facts, parts=(part,), teeth=())
    return Compared("made", account, lambda: mask.astype(np.uint8))


def ball(radius: float, size: int) -> np.ndarray:
    z, y, x = np.indices((size,) * 3) - (size - 1) / 2
    return x**2 + y**2 + z**2 < radius**2


@pytest.fixture(scope="session")
def teeth(specimen: Compared) -> list[PartMesh]:
    return meshes_of(specimen, parts_named(specimen.account, ["teeth"], "here"))


@pytest.mark.parametrize("radius", [4.0, 9.3, 20.0])
def test_a_ball_has_its_radius(specimen: Compared, radius: float) -> None:
    s = labelled(specimen, ball(radius, 51))
    made = mesh_of(s, 1, error_mm=STEP / 4)
    assert made is not None
    middle = s.skull([25 * STEP] * 3)
    radii = np.linalg.norm(made.surface.vertices - middle, axis=1)
    # Labels cannot place a surface better than about half a voxel; its mean they place much better.
    assert radii.mean() == pytest.approx(radius * STEP, abs=0.06 * STEP + 0.005 * radius * STEP)
    assert np.abs(radii - radius * STEP).max() < 0.6 * STEP
    true = np.cbrt(3 * ball(radius, 51).sum() / (4 * np.pi)) * STEP
    assert np.cbrt(3 * made.volume_mm3 / (4 * np.pi)) == pytest.approx(true, rel=0.0035)


def test_every_tooth_is_closed_and_has_the_volume_of_its_labels(specimen: Compared, teeth: list[PartMesh]) -> None:
    assert len(teeth) == len(specimen.account.teeth)
    voxel = np.prod(specimen.account.scan.spacing_mm_zyx)
    for made in teeth:
        read = trimesh.load(io.BytesIO(stl_bytes(made.surface)), file_type="stl")  # another reader, other code
        assert read.is_watertight
        assert read.is_winding_consistent
        assert read.volume == pytest.approx((specimen.parts == made.part.part).sum() * voxel, rel=0.01)


def test_simplifying_keeps_within_the_stated_distance(specimen: Compared) -> None:
    z, y, x = np.indices((40, 44, 60)) - np.array([20, 22, 30]).reshape(3, 1, 1, 1)
    bumpy = x**2 / 26**2 + y**2 / 17**2 + z**2 / 14**2 < 1 + 0.1 * np.sin(x / 3) * np.cos(y / 4)
    s = labelled(specimen, bumpy)
    for error in (0.01, 0.05):
        made = mesh_of(s, 1, error_mm=error)
        assert made is not None
        assert 0 < made.error_mm <= error
        whole = true_contour(bumpy, (0, 0, 0), s.index_to_skull)
        assert len(made.surface.faces) < 0.8 * len(whole.faces)
        # Distances both ways, from points strewn densely over each (trimesh), to the other's nearest triangle.
        thin = trimesh.Trimesh(made.surface.vertices, made.surface.faces, process=False)
        strewn, _ = trimesh.sample.sample_surface(thin, 200_000, seed=1)
        far, _ = cKDTree(strewn).query(whole.vertices)
        dense = np.sqrt(thin.area / 200_000)
        assert far.max() < made.error_mm + 3 * dense
        assert np.median(far) < made.error_mm


def test_print_check_tells_thin_walls_hollows_and_holes(specimen: Compared) -> None:
    plate = np.zeros((20, 60, 60), bool)
    plate[8:11, 4:56, 4:56] = True  # 0.3 mm thick
    made = mesh_of(labelled(specimen, plate), 1)
    assert made is not None
    thin = print_check(made, labelled(specimen, plate), wall_mm=0.6)
    assert thin.thin_share > 0.95
    assert print_check(made, labelled(specimen, plate), wall_mm=0.6, enlarged=4).thin_share < 0.05
    hollow = ball(20, 51) & ~ball(8, 51)
    made = mesh_of(labelled(specimen, hollow), 1)
    assert made is not None
    found = print_check(made, labelled(specimen, hollow))
    assert (found.watertight, found.bodies, found.hollows) == (True, 1, 1)
    z, y, x = np.indices((20, 60, 60)) - np.array([9.7, 29.6, 30.2]).reshape(3, 1, 1, 1)
    ring = (np.hypot(x, y) - 20) ** 2 + z**2 < 36
    made = mesh_of(labelled(specimen, ring), 1)
    assert made is not None
    found = print_check(made, labelled(specimen, ring))
    assert (found.bodies, found.hollows, found.handles) == (1, 0, 1)
    # Pappus: volume of a ring is 2 pi^2 R r^2.
    assert made.volume_mm3 == pytest.approx(2 * np.pi**2 * 2.0 * 0.6**2, rel=0.02)


def test_an_open_surface_is_called_open(specimen: Compared) -> None:
    from ossicle.publish.meshes import _watertight

    whole = true_contour(ball(6, 17), (0, 0, 0), np.eye(4))
    assert _watertight(whole)
    assert not _watertight(Surface(whole.vertices, whole.faces[1:]))
    assert not _watertight(Surface(whole.vertices, np.concatenate([whole.faces[1:], whole.faces[:1, ::-1]])))


def test_files_hold_the_same_shape_in_mm(specimen: Compared, teeth: list[PartMesh]) -> None:
    made = teeth[3]
    low, high = made.surface.vertices.min(axis=0), made.surface.vertices.max(axis=0)
    stl = trimesh.load(io.BytesIO(stl_bytes(made.surface, 10)), file_type="stl")
    np.testing.assert_allclose(stl.bounds, np.array([low, high]) * 10, rtol=1e-5)
    ply = trimesh.load(io.BytesIO(ply_bytes(made.surface, "dP3?", (0.95, 0.74, 0.36))), file_type="ply")
    np.testing.assert_allclose(ply.bounds, [low, high], rtol=1e-5)
    assert ply.visual.vertex_colors[0, :3].tolist() == [242, 189, 92]
    scene = trimesh.load(io.BytesIO(scene_bytes(specimen, [made])), file_type="glb")
    np.testing.assert_allclose(scene.bounds, np.array([low, high]) / 1000, rtol=1e-4)  # glTF is in metres


def test_the_scene_names_its_parts_and_says_what_they_are(specimen: Compared, teeth: list[PartMesh]) -> None:
    import pygltflib

    file = pygltflib.GLTF2().load_from_bytes(scene_bytes(specimen, teeth))
    root = file.nodes[file.scenes[file.scene].nodes[0]]
    assert root.name == specimen.name
    assert root.extras["formula"] == specimen.account.formula.text
    children = {file.nodes[n].name: file.nodes[n].extras for n in root.children}
    assert set(children) == {m.name for m in teeth}
    extras = children["left upper dP3"]
    assert (extras["tooth"], extras["jaw"], extras["generation"]) == ("dP3", "upper", "deciduous")
    assert extras["uberon"] == "UBERON:0007115"  # deciduous tooth
    assert extras["mesh_volume_mm3"] == pytest.approx(extras["label_volume_mm3"], rel=0.01)


def test_the_validator_of_gltf_finds_nothing(specimen: Compared, teeth: list[PartMesh], tmp_path: Path) -> None:
    """Khronos' own validator, npm gltf-validator: no error, no warning."""
    if shutil.which("npm") is None or shutil.which("node") is None:
        pytest.skip("npm and node are not installed, so the glTF validator cannot be run")
    named = os.environ.get("OSSICLE_TEST_DATA")
    kept = (Path(named) if named else Path(platformdirs.user_cache_dir("ossicle-tests"))) / f"gltf-{VALIDATOR}"
    if not (kept / "node_modules" / "gltf-validator").is_dir():
        kept.mkdir(parents=True, exist_ok=True)
        words = ["npm", "install", "--silent", "--no-audit", "--no-fund", f"gltf-validator@{VALIDATOR}"]
        got = subprocess.run(words, cwd=kept, capture_output=True, timeout=120)
        if got.returncode:
            pytest.skip("the glTF validator could not be fetched from npm")
    bone = meshes_of(specimen, parts_named(specimen.account, ["bone"], "here"))
    (tmp_path / "scene.glb").write_bytes(scene_bytes(specimen, [*teeth, *bone]))
    program = (
        "const v=require('gltf-validator'),fs=require('fs');"
        "v.validateBytes(new Uint8Array(fs.readFileSync(process.argv[1]))).then(r=>console.log(JSON.stringify(r)))"
    )
    got = subprocess.run(
        ["node", "-e", program, tmp_path / "scene.glb"], cwd=kept, capture_output=True, text=True, timeout=60
    )
    report = json.loads(got.stdout)
    assert report["issues"]["numErrors"] == 0, report["issues"]["messages"][:3]
    assert report["issues"]["numWarnings"] == 0, report["issues"]["messages"][:3]
    assert report["info"]["totalTriangleCount"] > 1000


def test_the_command_writes_files_and_a_table(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    words = ["--part", "left upper dP3", "--part", "left upper M1", "--format", "stl", "--format", "glb"]
    assert main(["mesh", str(folder), *words, "--out", str(out)]) == 0
    assert {p.name for p in out.iterdir()} == {
        "left-upper-dP3.stl",
        "left-upper-M1.stl",
        "juvenile.glb",
        "meshes.csv",
    }
    rows = list(csv.DictReader((out / "meshes.csv").open()))
    assert [r["watertight"] for r in rows] == ["yes", "yes"]
    assert all(abs(float(r["volume_change_percent"])) <= 1 for r in rows)
    before = {p.name: p.read_bytes() for p in out.iterdir()}
    assert main(["mesh", str(folder), *words, "--out", str(out)]) == 0
    assert {p.name: p.read_bytes() for p in out.iterdir()} == before  # the same bytes each time
    capsys.readouterr()
    assert main(["mesh", str(folder), "--part", "tusk", "--out", str(out)]) == 2
    assert "it has no part 'tusk'" in capsys.readouterr().err


def test_without_labels_one_sentence_says_so(specimen: Compared, tmp_path: Path) -> None:
    with pytest.raises(OssicleError, match=r"keep parts\.nii\.gz"):
        meshes_of(Compared("bare", specimen.account), [1])
    with pytest.raises(OssicleError, match="none of these parts"):
        write_meshes(specimen, [], tmp_path, ["stl"], wall_mm=0.4, enlarged=1)


def test_names_differ_and_can_be_asked_for(specimen: Compared) -> None:
    names = names_of(specimen.account)
    assert len(set(names.values())) == len(names)
    for part, name in names.items():
        assert parts_named(specimen.account, [name], "here") == [part]
    hidden = parts_named(specimen.account, ["in crypts"], "here")
    assert hidden == [t.part for t in specimen.account.teeth if t.emergence == "in_crypt"]


def test_closed_volume_is_that_of_a_cube() -> None:
    box = trimesh.creation.box((2, 3, 4))
    assert closed_volume(np.asarray(box.vertices), np.asarray(box.faces)) == pytest.approx(24)
