"""``python -m benchmarks.training --work DIR [STAGE ...]``: make the reading's network and two models of trees.

Stages, in order; each goes on where it was and does first what it needs of those before it:

specimens  invented specimens, in DIR/specimens
arrays     what the network's patches are drawn from, in DIR/arrays (some 40 MB a specimen)
network    fit and export tooth_network.onnx; --steps or --minutes say how long
objects    what the reading sees through it in specimens it has not seen; object_model.onnx, figures of the network
pairs      pair_model.onnx
install    copy the three files and models.json from DIR/models into the package

Without a stage: all but install. A full run takes hours on two cores. ``--quick`` goes the whole way on three coarse
specimens with a tiny network, in DIR/quick, to no use but testing.
"""

from __future__ import annotations

import argparse
import datetime
import hashlib
import json
import multiprocessing
import shutil
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.matrix import code_hash, maker_files, root_of_project
from ossicle.errors import OssicleError
from ossicle.reading.judgement import OBJECT_MEASURES, PAIR_MEASURES

from . import object_models, store
from .arrays import Prepared, prepare
from .conversion import largest_difference, to_onnx
from .object_models import VOXEL_FIGURES, Examples
from .specimens import (
    Specimen,
    check_apart,
    full_plan,
    load,
    make,
    measured_seeds,
    object_plan,
    quick_object_plan,
    quick_plan,
)

STAGES = ("specimens", "arrays", "network", "objects", "pairs", "install")
MODELS = ("tooth_network", "object_model", "pair_model")
LIBRARIES = (
    "lightgbm", "numpy", "onnx", "onnxmltools", "onnxruntime", "scikit-image", "scikit-learn", "scipy", "skl2onnx",
)  # fmt: skip
TOLERANCE = 1e-5
"""The most by which a probability may differ between LightGBM and the ONNX file."""
QUICK = {"steps": 1500, "side": 32, "widths": (8, 16, 24), "rate": 1e-2}
"""A course of a minute's computing, for a network that finds many teeth of its own kind of specimen and no more."""
NOTE = (
    "Trained on invented specimens alone. The network's figures are of the specimens of the object model, which it has "
    "never seen; objects and pairs are cross-validated in up to four parts, no kind of animal in both fitting and "
    "testing."
)

Tell = Callable[[str], None]


def code_of(*names: str) -> str:
    """Hash of modules of the reading (or of this package, with a dot before the name)."""
    here, reading = Path(__file__).parent, root_of_project() / "src" / "ossicle" / "reading"
    return code_hash(here / f"{n[1:]}.py" if n.startswith(".") else reading / f"{n}.py" for n in names)


@dataclass
class Training:
    """One making of the three models: what from, where, how long; each stage is a method.

    ``course`` holds the arguments of `fitting.Course`, a checkpoint of `fitting` to start from is ``checkpoint``.
    """

    network_plan: Sequence[Specimen]
    object_plan: Sequence[Specimen]
    work: Path
    course: dict[str, Any]
    seed: int = 1
    threads: int = 2
    jobs: int = 1
    checkpoint: Path | None = None
    remark: str = ""
    tell: Tell = field(default=lambda line: print(line, flush=True))

    @property
    def models(self) -> Path:
        return self.work / "models"

    def specimens(self) -> None:
        """Make every specimen of both plans."""
        plan = [*self.network_plan, *self.object_plan]
        for n, name in enumerate(self._all(_make, [(s, self.work) for s in plan]), start=1):
            self.tell(f"specimens {n}/{len(plan)} {name}")

    def arrays(self) -> list[Prepared]:
        """What patches are drawn from, of every specimen the network learns from."""
        tasks = [(s, self.work, self._array_key(s)) for s in self.network_plan]
        for n, name in enumerate(self._all(_prepare, tasks), start=1):
            self.tell(f"arrays {n}/{len(tasks)} {name}")
        return [Prepared.of(_arrays(*task)) for task in tasks]

    def _all(self, work_out: Callable[..., str], tasks: Sequence[tuple[Any, ...]]) -> Iterator[str]:
        """What ``work_out`` gives for each task, in order; in ``jobs`` processes."""
        if self.jobs <= 1:
            yield from (work_out(*task) for task in tasks)
            return
        with ProcessPoolExecutor(self.jobs, multiprocessing.get_context("spawn")) as pool:
            yield from pool.map(work_out, *zip(*tasks, strict=True))

    def _array_key(self, s: Specimen) -> str:
        return store.digest(
            s.key(), code_of("greys", "statistics", "working_grid", ".rendering", ".specimens", ".arrays")
        )

    def network(self) -> None:
        """Fit the network and write its ONNX file."""
        from . import fitting
        from .network import export

        course = fitting.Course(**self.course, seed=self.seed, threads=self.threads)
        told = {k: v for k, v in asdict(course).items() if k not in {"threads", "every"}}
        keys = [(self._array_key(s), s.weight) for s in self.network_plan]
        fit_key = store.digest(keys, told, code_of(".network", ".fitting", ".patches"))
        kept = self.work / "fits" / f"network-{fit_key}.pt"
        if self.checkpoint is not None and not kept.exists():
            kept.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(self.checkpoint, kept)
        prepared = [] if fitting.finished(kept, course) else self.arrays()
        weights = [s.weight for s in self.network_plan]
        network, went = fitting.fit(prepared, weights, course, kept, self.tell)
        path = self.models / "tooth_network.onnx"
        off = export(network, path, "Ossicle: tooth, enamel and what a voxel's tooth is, from greys")
        self._note(
            "tooth_network",
            course=told,
            fit=went,
            parameters=sum(p.numel() for p in network.parameters()),
            largest_difference_of_onnx=off,
            torch=version("torch"),
            trained_on=[asdict(s) for s in self.network_plan],
        )

    def seen(self) -> list[tuple[Specimen, Examples, Examples]]:
        """Objects and pairs of every specimen of the object plan where a row is found, seen through the network.

        Raises
        ------
        OssicleError
            If too few specimens show a row to learn from.
        """
        path = self.models / "tooth_network.onnx"
        if not path.exists():
            self.network()
        modules = (
            "candidates", "component_tree", "greys", "grow", "judgement", "network", "pose", "rows", "standing",
            "statistics", "symmetry", "tissue_model", "votes", "working_grid", ".object_models", ".specimens",
        )  # fmt: skip
        code, network_hash = code_of(*modules), _hash(path)
        out: list[tuple[Specimen, Examples, Examples]] = []
        figures: dict[str, dict[str, float | None]] = {}
        for n, s in enumerate(self.object_plan, start=1):

            def work_out(s: Specimen = s) -> store.Arrays:
                volumes = load(make(s, self.work / "specimens"))
                figures, objects, pairs = object_models.examples(volumes, path, s.group, threads=self.threads)
                if objects is None or pairs is None:
                    return {"figures": figures}
                return {
                    "figures": figures, "ox": objects.measures, "oy": objects.truth, "px": pairs.measures,
                    "py": pairs.truth,
                }  # fmt: skip

            key = store.digest(s.key(), network_hash, code)
            kept: dict[str, Any] = store.arrays(self.work / "examples" / f"{s.name}-{key}.npz", work_out)
            values = [float(v) for v in kept["figures"]]
            figures[s.name] = {k: round(v, 4) if v == v else None for k, v in zip(VOXEL_FIGURES, values, strict=True)}
            self.tell(f"objects {n}/{len(self.object_plan)} {s.name}: {figures[s.name]}")
            if "ox" not in kept:
                self.tell("  no tooth row found, left out")
                continue
            out.append((s, Examples(s.group, kept["ox"], kept["oy"]), Examples(s.group, kept["px"], kept["py"])))
            self.tell(f"  {len(kept['oy'])} objects, {len(kept['py'])} pairs")
        self._note("tooth_network", unseen_specimens=figures)
        if len({o.group for _, o, _ in out}) < 2 or not sum(len(p.truth) for _, _, p in out):
            raise OssicleError(
                "too few specimens show a tooth row to learn objects from",
                where=self.work,
                mend="fit the network for longer, or add specimens to the plan",
            )
        return out

    def objects(self) -> None:
        """Fit the model of objects."""
        seen = self.seen()
        self._trees("object_model", [s for s, _, _ in seen], [o for _, o, _ in seen], OBJECT_MEASURES)

    def pairs(self) -> None:
        """Fit the model of pairs."""
        seen = self.seen()
        self._trees("pair_model", [s for s, _, _ in seen], [p for _, _, p in seen], PAIR_MEASURES)

    def _trees(self, name: str, used: Sequence[Specimen], data: Sequence[Examples], measures: Sequence[str]) -> None:
        folds = object_models.folds_of([s.group for s in used])
        model = object_models.fit(data, measures, seed=self.seed)
        made = to_onnx(model, f"Ossicle: {name.replace('_', ' ')}")
        off = largest_difference(model, made, np.concatenate([d.measures for d in data]))
        if off > TOLERANCE:
            raise OssicleError(
                f"the ONNX file of {name} does not give what LightGBM gives",
                where=self.work,
                mend="check the library versions",
            )
        store.write(self.models / f"{name}.onnx", made)
        truth = np.concatenate([d.truth for d in data])
        score = object_models.scores(data, measures, folds, seed=self.seed)
        self._note(
            name,
            specimens=len(used),
            examples=len(truth),
            true=int(truth.sum()),
            measures=list(measures),
            rounds=object_models.ROUNDS,
            parameters=object_models.PARAMETERS,
            cross_validated=score,
            largest_difference_of_onnx=off,
            seen_through=_hash(self.models / "tooth_network.onnx"),
            trained_on=[asdict(s) for s in used],
        )
        self.tell(f"{name}: {score}")

    def _note(self, name: str, **facts: Any) -> None:
        """Put facts about one model into models.json."""
        path = self.models / "models.json"
        record = json.loads(path.read_text(encoding="utf-8")) if path.exists() else {"models": {}}
        digest = _hash(self.models / f"{name}.onnx")
        old = record["models"].get(name, {})
        own = {**old, **facts} if old.get("sha256") == digest else {**facts, "remark": self.remark}
        own["sha256"], own["seed"] = digest, self.seed
        own["date"] = old.get("date") or datetime.datetime.now(datetime.UTC).date().isoformat()
        plan = [*self.network_plan, *self.object_plan]
        record = {
            "note": NOTE,
            "generators": {m: code_hash(maker_files(m)) for m in sorted({s.maker for s in plan})},
            "libraries": {library: version(library) for library in LIBRARIES},
            "models": {**record["models"], name: own},
        }
        store.write(path, (json.dumps(record, indent=1) + "\n").encode())

    def install(self) -> None:
        """Copy the models into the package.

        Raises
        ------
        OssicleError
            If a model is missing, changed since, or learnt through another network.
        """
        path = self.models / "models.json"
        record = json.loads(path.read_text(encoding="utf-8"))["models"] if path.exists() else {}
        for name in MODELS:
            file = self.models / f"{name}.onnx"
            if name not in record or not file.exists() or _hash(file) != record[name]["sha256"]:
                raise OssicleError(
                    "a model is missing or not the one on record", where=file, mend="run its stage first"
                )
            if record[name].get("seen_through", record["tooth_network"]["sha256"]) != record["tooth_network"]["sha256"]:
                raise OssicleError(
                    "this model was fitted through another network", where=file, mend="run objects and pairs again"
                )
        package = root_of_project() / "src" / "ossicle" / "reading" / "data"
        for name in MODELS:
            store.write(package / f"{name}.onnx", (self.models / f"{name}.onnx").read_bytes())
        store.write(package / "models.json", path.read_bytes())
        self.tell(f"installed: {package}")


def _make(s: Specimen, work: Path) -> str:
    make(s, work / "specimens")
    return s.name


def _arrays(s: Specimen, work: Path, key: str) -> store.Arrays:
    def work_out() -> store.Arrays:
        return prepare(load(make(s, work / "specimens")), s.random())

    return store.folder(work / "arrays" / f"{s.name}-{key}", work_out)


def _prepare(s: Specimen, work: Path, key: str) -> str:
    _arrays(s, work, key)
    return s.name


def _hash(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def named(plan: Sequence[Specimen], only: Path) -> list[Specimen]:
    """The specimens of ``plan`` whose names the file ``only`` holds, one a line.

    Raises
    ------
    OssicleError
        If it names one that is not in the plan, or none.
    """
    names = only.read_text(encoding="utf-8").split()
    unknown = sorted(set(names) - {s.name for s in plan})
    if unknown or not names:
        what = f"no specimen of the plan is called {unknown[0]}" if unknown else "the file names no specimen"
        raise OssicleError(what, where=only, mend="take names from training/specimens.csv")
    return [s for s in plan if s.name in names]


def main(arguments: Sequence[str] | None = None) -> int:
    """Parse the command line and train; returns the exit code."""
    parser = argparse.ArgumentParser(
        prog="python -m benchmarks.training", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("stages", nargs="*", metavar="STAGE", help=", ".join(STAGES))
    parser.add_argument("--work", type=Path, required=True, help="folder for specimens, steps and models")
    parser.add_argument("--quick", action="store_true", help="three coarse specimens and a tiny network, in WORK/quick")
    length = parser.add_mutually_exclusive_group()
    length.add_argument("--steps", type=int, help="of the network's fit (8000)")
    length.add_argument("--minutes", type=float, help="of the network's fit, in place of steps")
    parser.add_argument("--checkpoint", type=Path, help="kept fit of this network to go on from")
    parser.add_argument("--only", type=Path, help="file of names: of the network's specimens, these alone")
    parser.add_argument("--remark", default="", help="for models.json")
    parser.add_argument("--seed", type=int, default=1, help="of the fits")
    parser.add_argument("--threads", type=int, default=2, help="of the network")
    parser.add_argument("--jobs", type=int, default=1, help="processes that make specimens and arrays")
    given = parser.parse_args(arguments)
    try:
        stages = [s for s in STAGES if s in given.stages] or list(STAGES[:-1])
        for word in given.stages:
            if word not in STAGES:
                raise OssicleError("no such stage", where=word, mend="the stages are " + ", ".join(STAGES))
        if given.quick and "install" in stages:
            raise OssicleError("models of a quick run are of no worth", where="install", mend="leave out --quick")
        course = dict(QUICK) if given.quick else {"steps": 8000}
        if given.minutes is not None or given.steps is not None:
            course |= {"steps": given.steps, "minutes": given.minutes}
        plans = (quick_plan(), quick_object_plan()) if given.quick else (full_plan(), object_plan())
        work = given.work / "quick" if given.quick else given.work
        if given.only is not None:
            plans = (named(plans[0], given.only), plans[1])
        check_apart(*plans, measured_seeds())
        training = Training(*plans, work, course, given.seed, given.threads, given.jobs, given.checkpoint, given.remark)
        for stage in stages:
            getattr(training, stage)()
    except OssicleError as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
