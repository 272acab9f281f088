"""Makes a specimen, has it read, scores it; results are kept by specimen and code, so runs resume."""

from __future__ import annotations

import importlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from .matrix import Specimen, code_hash, reading_files
from .score_labels import load_volume
from .scoring import score
from .structures import compare

COMMAND = [sys.executable, "-c", "import sys; from ossicle.cli import main; sys.exit(main())"]
Reader = Callable[[Path, Path], dict[str, Any]]


class Counted(NamedTuple):
    """What a command did and took: exit code, stderr, seconds of wall and of processor, peak memory (MB)."""

    code: int
    message: str
    seconds: float
    processor_s: float
    peak_mb: float


def run_measured(command: list[str], limit: float = 3600.0) -> tuple[int, str, float, float]:
    """Run a command; returns exit code, stderr, seconds and peak memory (MB) of that process."""
    done = run_counted(command, limit)
    return done.code, done.message, done.seconds, done.peak_mb


def run_counted(
    command: list[str], limit: float = 3600.0, environment: Mapping[str, str] | None = None, out: Path | None = None
) -> Counted:
    """Run a command and count what that process takes; ``out`` takes what it prints.

    What the system adds up for a child starts from the peak of the process that started it, so where the system tells
    the peak of the program itself (Linux, ``VmHWM``) that is taken, as last seen.
    """
    with tempfile.TemporaryFile("w+") as err, open(out or os.devnull, "w") as printed:
        began = time.perf_counter()
        settings = {**os.environ, "COLUMNS": "200", **(environment or {})}
        child = subprocess.Popen(command, stdout=printed, stderr=err, env=settings)
        usage, peak = None, None
        while usage is None:
            peak = peak_kb(child.pid) or peak
            pid, status, used = os.wait4(child.pid, os.WNOHANG)
            if pid:
                usage, code = used, os.waitstatus_to_exitcode(status)
                child.returncode = code
            elif time.perf_counter() - began > limit:
                child.kill()
                _, status, usage = os.wait4(child.pid, 0)
                code = child.returncode = 124
            else:
                time.sleep(0.02)
        seconds = time.perf_counter() - began
        err.seek(0)
        greatest = min(peak or usage.ru_maxrss, usage.ru_maxrss) / 1024
        return Counted(code, err.read().strip(), seconds, usage.ru_utime + usage.ru_stime, greatest)


def one_thread_each() -> None:
    """Let libraries in this process and those that it starts use one thread, whatever the machine."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"):
        os.environ[name] = "1"


def peak_kb(pid: int) -> int | None:
    """Peak resident memory of a running program in kB; None where it is over or the system does not tell."""
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return None
    return next((int(line.split()[1]) for line in lines if line.startswith("VmHWM:")), None)


def read_by_command(slices: Path, out: Path, specimen: int = 1) -> dict[str, Any]:
    """``ossicle read SLICES --out DIR`` in a process of its own."""
    words = ["read", str(slices), "--out", str(out), "--specimen", str(specimen)]
    code, message, seconds, peak = run_measured([*COMMAND, *words])
    return {"code": code, "message": message[-600:] if code else "", "seconds": seconds, "peak_mb": peak}


def reader_of(spec: str) -> Reader:
    """``command``, or ``package.module:function`` called with (slices, out) and writing the same files."""
    if spec == "command":
        return read_by_command
    module, _, name = spec.partition(":")
    function = getattr(importlib.import_module(module), name)

    def call(slices: Path, out: Path) -> dict[str, Any]:
        began = time.perf_counter()
        function(slices, out)
        return {"code": 0, "message": "", "seconds": time.perf_counter() - began, "peak_mb": None}

    return call


def practice_words(settings: Mapping[str, Any]) -> list[str]:
    """Options of ``ossicle practice make`` beyond preset and seed: voxel, faults and worse joined by +, scanner."""
    words: list[str] = []
    if settings.get("voxel") is not None:
        words += ["--voxel", str(settings["voxel"])]
    if settings.get("scanner"):
        words += ["--scanner", str(settings["scanner"])]
    for name in ("fault", "worse"):
        for one in filter(None, str(settings.get(name) or "").split("+")):
            words += [f"--{name}", one]
    return words + [str(w) for w in settings.get("options", ())]


def make(s: Specimen, where: Path) -> Path:
    """Return the specimen's folder, made first if it is not there yet."""
    if s.folder is not None:
        return Path(s.folder)
    folder = where / f"{s.name}-{s.key()}"
    if (folder / "truth" / "truth.json").exists():
        return folder
    shutil.rmtree(folder, ignore_errors=True)
    part = folder.with_name(folder.name + ".part")
    shutil.rmtree(part, ignore_errors=True)
    settings = dict(s.settings)
    if s.source == "practice":
        command = [
            *COMMAND,
            "practice",
            "make",
            str(settings["preset"]),
            "--out",
            str(part),
            "--seed",
            str(settings["seed"]),
            *practice_words(settings),
        ]
        code, message, _, _ = run_measured(command)
        if code:
            raise RuntimeError(f"practice specimen not made: {message[-300:]}")
    elif s.source == "control":
        from .foreign.controls import make_control

        make_control(part, str(settings["kind"]), int(settings["seed"]), float(settings["voxel"]))
    else:
        from .foreign.__main__ import make as make_foreign
        from .foreign.build import Options

        make_foreign(part, Options(**settings))
    part.rename(folder)
    return folder


def evaluate(s: Specimen, work: Path, reader: str = "command", keep: bool = True) -> dict[str, Any]:
    """Result record of one specimen: from the store if code and specimen are unchanged, else made now."""
    version = code_hash(reading_files())
    store = work / "results" / f"{s.key()}-{version}-{reader.replace(':', '_')}.json"
    if store.exists():
        done: dict[str, Any] = json.loads(store.read_text())
        return done
    record: dict[str, Any] = {
        "specimen": s.as_dict(),
        "condition": s.condition,
        "code": version,
        "status": "failed",
    }
    out = work / "read" / f"{s.name}-{s.key()}"
    try:
        folder = make(s, work / "specimens")
        record["folder"] = str(folder)
        shutil.rmtree(out, ignore_errors=True)
        out.parent.mkdir(parents=True, exist_ok=True)
        run = reader_of(reader)(folder / "slices", out)
        if reader == "command" and run["code"] == 0 and _is_of_another(folder, out):
            shutil.rmtree(out)
            run = read_by_command(folder / "slices", out, specimen=2)
        record.update({k: run[k] for k in ("seconds", "peak_mb", "message")})
        _score_into(record, folder, out, int(run["code"]))
    except (RuntimeError, OSError, ValueError, KeyError, ImportError) as e:
        record["message"] = f"{type(e).__name__}: {e}"
        return record
    store.parent.mkdir(parents=True, exist_ok=True)
    temporary = store.with_suffix(".part")
    temporary.write_text(json.dumps(record))
    temporary.replace(store)
    if not keep and s.folder is None:
        shutil.rmtree(folder, ignore_errors=True)
    return record


def _is_of_another(folder: Path, out: Path) -> bool:
    """Whether the reading is of another of several specimens in the scan than the truth."""
    truth = json.loads((folder / "truth" / "truth.json").read_text())
    if not truth.get("others"):
        return False
    found = [t["part"] for t in json.loads((out / "account.json").read_text())["teeth"]]
    labels = load_volume(folder / "truth" / "labels.nii.gz")
    true = np.isin(labels, [t["label"] for t in truth["teeth"]])
    pred = np.isin(load_volume(out / "parts.nii.gz"), found)
    return not (pred & true).any()


def _score_into(record: dict[str, Any], folder: Path, out: Path, code: int) -> None:
    truth = json.loads((folder / "truth" / "truth.json").read_text())
    labels = load_volume(folder / "truth" / "labels.nii.gz")
    tissue = load_volume(folder / "truth" / "tissue.nii.gz")
    record["shape_zyx"] = list(labels.shape)
    record["formula_true"] = truth["formula"]["text"]
    if code == 0:
        account = json.loads((out / "account.json").read_text())
        pred = load_volume(out / "parts.nii.gz")
        record["status"] = "scored"
        record["formula_said"] = (account.get("formula") or {}).get("text")
        record["warnings"] = account.get("warnings", [])
        record["read"] = str(out)
    else:  # refused or crashed: nothing found
        account = {"teeth": []}
        pred = labels * 0
        record["status"] = "refused" if code == 2 else "crashed"
    record["structures"] = compare(truth, account)
    enamel = load_volume(out / "enamel.nii.gz") > 0 if (out / "enamel.nii.gz").exists() else None
    record["score"] = score(truth, account, labels, pred, tissue, enamel).as_dict()
