"""``python -m benchmarks.training --work DIR [--quick] [--install]``: make the reading's three models.

Writes DIR/models/{tooth,object,pair}_model.onnx and models.json, which says what they were trained on and how they did
on animals they were not fitted on. Every step is kept in DIR, so a stopped run goes on where it was. A full run takes
some hours on one core; ``--quick`` goes the whole way on three tiny specimens, in DIR/quick, to no use but testing.
``--install`` copies the files into the package.
"""

from __future__ import annotations

import argparse
import datetime
import hashlib
import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict
from importlib.metadata import version
from pathlib import Path
from typing import Any

import lightgbm as lgb
import numpy as np

from benchmarks.matrix import code_hash, maker_files, root_of_project
from ossicle.errors import OssicleError
from ossicle.reading.judgement import OBJECT_MEASURES, PAIR_MEASURES

from . import object_models, store, tooth_model
from .conversion import largest_difference, to_onnx
from .object_models import Examples
from .rendering import CLASSES, draw_look, rerender, sample
from .specimens import Specimen, check_apart, full_plan, load, make, measured_seeds, quick_plan
from .tooth_model import Rows

LIBRARIES = ("lightgbm", "numpy", "onnxmltools", "onnxruntime", "scikit-image", "scikit-learn", "scipy", "skl2onnx")
TOLERANCE = 1e-5
"""The most by which a probability may differ between LightGBM and the ONNX file."""

Tell = Callable[[str], None]


def code_of(*names: str) -> str:
    """Hash of modules of the reading (or of this package, with a dot before the name)."""
    here, reading = Path(__file__).parent, root_of_project() / "src" / "ossicle" / "reading"
    return code_hash(here / f"{n[1:]}.py" if n.startswith(".") else reading / f"{n}.py" for n in names)


def rows_of(s: Specimen, work: Path, count: int) -> tuple[Rows, str]:
    """The drawn voxels of one specimen, and the key they are kept by."""
    code = code_of("features", "statistics", "tissue_model", "working_grid", ".rendering", ".specimens")
    key = store.digest(s.key(), s.rendered, count, code)

    def work_out() -> store.Arrays:
        volumes, rng = load(make(s, work / "specimens")), s.random()
        grey = rerender(volumes, draw_look(volumes, rng), rng) if s.rendered else volumes.grey
        features, kinds = sample(grey, volumes, rng, count)
        return {"features": features, "kinds": kinds}

    kept = store.arrays(work / "samples" / f"{s.name}-{key}.npz", work_out)
    return Rows(s.group, kept["features"].astype(np.float32), kept["kinds"].astype(np.int8)), key


def examples_of(s: Specimen, work: Path, model: lgb.Booster, model_key: str) -> tuple[Examples, Examples] | None:
    """Objects and pairs of one specimen as seen through ``model``; None where no tooth row is found."""
    modules = (
        "candidates", "component_tree", "features", "grow", "isolate", "judgement", "pose", "rows", "statistics",
        "symmetry", "tissue_model", "working_grid", ".object_models", ".specimens",
    )  # fmt: skip
    key = store.digest(s.key(), model_key, code_of(*modules))

    def work_out() -> store.Arrays:
        both = object_models.examples(load(make(s, work / "specimens")), model, s.group)
        if both is None:
            return {}
        objects, pairs = both
        return {"ox": objects.measures, "oy": objects.truth, "px": pairs.measures, "py": pairs.truth}

    kept = store.arrays(work / "examples" / f"{s.name}-{key}.npz", work_out)
    if not kept:
        return None
    return (
        Examples(s.group, kept["ox"].astype(float), kept["oy"].astype(np.int8)),
        Examples(s.group, kept["px"].astype(float), kept["py"].astype(np.int8)),
    )


def train(
    plan: Sequence[Specimen], work: Path, *, rounds: int, count: int, seed: int, tell: Tell
) -> tuple[dict[str, bytes], dict[str, Any]]:
    """Make the three models from ``plan``: their ONNX files by name, and the record of how they were made.

    Raises
    ------
    OssicleError
        If the plan trains on what is measured, or its specimens give no examples to learn from.
    """
    check_apart(list(plan), measured_seeds())
    rows, keys = [], []
    for n, s in enumerate(plan, start=1):
        drawn, key = rows_of(s, work, count)
        rows.append(drawn)
        keys.append(key)
        tell(f"voxels {n}/{len(plan)} {s.name}: {len(drawn.kinds)}")
    folds = tooth_model.folds_of([r.group for r in rows])
    fit_key = store.digest(keys, rounds, seed, code_of(".tooth_model"))
    models = []
    for fold in range(int(folds.max()) + 1):
        others = [r for r, f in zip(rows, folds, strict=True) if f != fold]
        tell(f"voxel model without the animals of fold {fold + 1}")
        path = work / "fits" / f"tooth-{fit_key}-{fold}.txt"
        models.append(store.booster(path, lambda o=others: tooth_model.fit(o, rounds, seed=seed, tell=tell)))  # type: ignore[misc]
    tell("voxel model of all animals")
    whole = store.booster(
        work / "fits" / f"tooth-{fit_key}.txt", lambda: tooth_model.fit(rows, rounds, seed=seed, tell=tell)
    )
    measured = tooth_model.scores(rows, models, folds)
    tell(f"voxels: {measured}")

    objects, pairs, used = [], [], []
    for s, fold in zip(plan, folds, strict=True):
        if not s.objects:
            continue
        both = examples_of(s, work, models[fold], f"{fit_key}-{fold}")
        if both is None:
            tell(f"objects {s.name}: no tooth row found, left out")
            continue
        objects.append(both[0])
        pairs.append(both[1])
        used.append(s)
        tell(f"objects {s.name}: {len(both[0].truth)} objects, {len(both[1].truth)} pairs")
    if len({e.group for e in objects}) < 2 or not sum(len(e.truth) for e in pairs):
        raise OssicleError(
            "too few specimens show a tooth row to learn objects from", where=work, mend="add specimens to the plan"
        )
    parts = tooth_model.folds_of([e.group for e in objects])

    files: dict[str, bytes] = {}
    record: dict[str, Any] = {}
    features = np.concatenate([r.features for r in rows])
    kinds = np.concatenate([r.kinds for r in rows])
    files["tooth_model"] = to_onnx(whole, "Ossicle: class of a voxel (" + ", ".join(CLASSES) + ")")
    record["tooth_model"] = {
        "specimens": len(plan),
        "voxels": len(kinds),
        "voxels_by_class": dict(zip(CLASSES, np.bincount(kinds, minlength=len(CLASSES)).tolist(), strict=True)),
        "rounds": rounds,
        "parameters": tooth_model.PARAMETERS,
        "cross_validated": measured,
        "largest_difference_of_onnx": largest_difference(
            whole, files["tooth_model"], features[:: max(1, len(features) // 50_000)]
        ),
    }
    for name, data, names in (("object_model", objects, OBJECT_MEASURES), ("pair_model", pairs, PAIR_MEASURES)):
        model = object_models.fit(data, names, seed=seed)
        truth = np.concatenate([d.truth for d in data])
        files[name] = to_onnx(model, f"Ossicle: {name.replace('_', ' ')}")
        record[name] = {
            "specimens": len(used),
            "examples": len(truth),
            "true": int(truth.sum()),
            "rounds": object_models.ROUNDS,
            "parameters": object_models.PARAMETERS,
            "cross_validated": object_models.scores(data, names, parts, seed=seed),
            "largest_difference_of_onnx": largest_difference(
                model, files[name], np.concatenate([d.measures for d in data])
            ),
        }
        tell(f"{name}: {record[name]['cross_validated']}")
    for name, data_of in files.items():
        record[name]["sha256"] = hashlib.sha256(data_of).hexdigest()
        if record[name]["largest_difference_of_onnx"] > TOLERANCE:
            raise OssicleError(
                f"the ONNX file of {name} does not give what LightGBM gives",
                where=work,
                mend="check the library versions",
            )
    return files, {
        "note": "Trained on invented specimens alone. Cross-validated in up to four parts, "
        "no kind of animal in both fitting and testing; the objects seen through voxel models not fitted on "
        "that kind of animal. Voxels and their accuracy are of drawn voxels evened out between classes.",
        "date": datetime.datetime.now(datetime.UTC).date().isoformat(),
        "seed": seed,
        "generators": {m: code_hash(maker_files(m)) for m in sorted({s.maker for s in plan})},
        "libraries": {name: version(name) for name in LIBRARIES},
        "models": record,
        "trained_on": [{**asdict(s), "objects": s in used} for s in plan],
    }


def keep(files: dict[str, bytes], record: dict[str, Any], folder: Path) -> None:
    """Write the models and their record into ``folder``, each file whole."""
    for name, data in files.items():
        store.write(folder / f"{name}.onnx", data)
    store.write(folder / "models.json", (json.dumps(record, indent=1) + "\n").encode())


def main(arguments: Sequence[str] | None = None) -> int:
    """Parse the command line and train; returns the exit code."""
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.training", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--work", type=Path, required=True, help="folder for specimens, steps and models")
    parser.add_argument("--quick", action="store_true", help="three tiny specimens, in WORK/quick")
    parser.add_argument("--install", action="store_true", help="copy the models into the package")
    parser.add_argument("--seed", type=int, default=1, help="of the fits")
    given = parser.parse_args(arguments)
    try:
        if given.quick and given.install:
            raise OssicleError("models of a quick run are of no worth", where="--install", mend="leave out --quick")
        work = given.work / "quick" if given.quick else given.work
        plan, rounds, count = (quick_plan(), 40, 4000) if given.quick else (full_plan(), 100, 13000)

        def tell(line: str) -> None:
            print(line, flush=True)

        files, record = train(plan, work, rounds=rounds, count=count, seed=given.seed, tell=tell)
        keep(files, record, work / "models")
        tell(f"written: {work / 'models'}")
        if given.install:
            package = root_of_project() / "src" / "ossicle" / "reading" / "data"
            keep(files, record, package)
            tell(f"installed: {package}")
    except OssicleError as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
