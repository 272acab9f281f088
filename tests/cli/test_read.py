"""`ossicle read` and `ossicle account`: what they write and print, and that they write all or nothing."""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
import signal
import subprocess
import sys
import textwrap
from collections.abc import Callable
from pathlib import Path

import jsonschema
import nibabel as nib
import numpy as np
import pytest
from cli_tools import Run, write_stack
from sketch import SHAPE, SPACING

from ossicle.account import schema
from ossicle.reading.records import Reading

Ran = Callable[..., Run]
WRITTEN = {"parts.nii.gz", "account.json", "account.html", "dentition.csv"}


def left(folder: Path) -> set[str]:
    return {p.name for p in folder.iterdir()}


class TestWriting:
    def test_a_folder_is_written_whole(self, run: Ran, stack: Path, sketched: Reading, tmp_path: Path) -> None:
        out = tmp_path / "deep" / "reading"
        got = run("read", stack, "--out", out)
        assert got.code == 0
        assert left(out) == WRITTEN
        assert left(out.parent) == {"reading"}
        data = json.loads((out / "account.json").read_text())
        jsonschema.validate(data, schema(), cls=jsonschema.Draft202012Validator)
        assert data["made_by"]["settings"]["source"] == f"{stack.parent.name}/stack"
        assert len(data["scan"]["sources"]) == SHAPE[0]
        assert str(tmp_path) not in (out / "account.json").read_text()
        assert str(tmp_path) not in (out / "account.html").read_text()
        assert "The left upper row carries" in got.out

    def test_parts_lie_on_the_scan_grid(self, run: Ran, stack: Path, sketched: Reading, tmp_path: Path) -> None:
        run("read", stack, "--out", tmp_path / "out")
        image = nib.load(tmp_path / "out" / "parts.nii.gz")
        assert np.array_equal(np.asarray(image.dataobj).transpose(2, 1, 0), sketched.labels)
        assert np.allclose(image.affine, np.diag([SPACING, SPACING, SPACING, 1]))
        for tooth in json.loads((tmp_path / "out" / "account.json").read_text())["teeth"][:5]:
            i, j, k = (round(v / SPACING) for v in tooth["centroid_mm_xyz"])
            assert image.dataobj[i, j, k] == tooth["part"]

    def test_twice_gives_the_same_but_for_time(self, run: Ran, stack: Path, sketched: Reading, tmp_path: Path) -> None:
        for name in ("a", "b"):
            run("read", stack, "--out", tmp_path / name)
        for name in ("parts.nii.gz", "dentition.csv"):
            assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
        one, two = (json.loads((tmp_path / n / "account.json").read_text()) for n in "ab")
        for data in (one, two):
            data["made_by"].pop("seconds")
            data["made_by"].pop("peak_mb")
        assert one == two

    def test_without_out_nothing_is_written(
        self, run: Ran, stack: Path, sketched: Reading, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        (tmp_path / "here").mkdir()
        monkeypatch.chdir(tmp_path / "here")
        got = run("read", stack, "--json")
        assert got.code == 0
        assert json.loads(got.out)["schema"] == "ossicle-account/1"
        assert left(tmp_path / "here") == set()

    def test_an_empty_folder_and_an_earlier_account_may_be_written_to(
        self, run: Ran, stack: Path, sketched: Reading, tmp_path: Path
    ) -> None:
        out = tmp_path / "out"
        out.mkdir()
        assert run("read", stack, "--out", out).code == 0
        (out / "notes.txt").write_text("mine")
        before = (out / "account.json").stat().st_ino
        assert run("read", stack, "--out", out).code == 0
        assert left(out) == WRITTEN | {"notes.txt"}
        assert (out / "notes.txt").read_text() == "mine"
        assert (out / "account.json").stat().st_ino != before

    @pytest.mark.parametrize("kind", ["folder", "file", "below a file", "read-only"])
    def test_a_place_of_something_else_is_refused_before_reading(
        self, run: Ran, stack: Path, tmp_path: Path, kind: str, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("ossicle.scans.load", lambda *a, **k: pytest.fail("it was read"))
        out = tmp_path / "out"
        if kind == "folder":
            out.mkdir()
            (out / "thesis.txt").write_text("years")
        elif kind == "file":
            out.write_text("years")
        elif kind == "below a file":
            out.write_text("years")
            out = out / "deeper"
        else:
            if os.geteuid() == 0:
                monkeypatch.setattr(os, "access", lambda *a, **k: False)
            out.mkdir(mode=0o500)
        got = run("read", stack, "--out", out)
        assert got.code == 2
        assert "--out" in got.sentence
        assert got.err.count("\n") == 1
        if kind == "folder":
            assert left(out) == {"thesis.txt"}

    @pytest.mark.parametrize("broken", ["write_parts_nifti", "account_html"])
    def test_a_fault_while_writing_leaves_nothing(
        self,
        run: Ran,
        stack: Path,
        sketched: Reading,
        tmp_path: Path,
        monkeypatch: pytest.MonkeyPatch,
        broken: str,
    ) -> None:
        def full(*_: object) -> None:
            raise OSError(28, "No space left on device")

        module = "ossicle.scans" if broken == "write_parts_nifti" else "ossicle.account.html"
        monkeypatch.setattr(f"{module}.{broken}", full)
        before = left(tmp_path)
        got = run("read", stack, "--out", tmp_path / "deep" / "out")
        assert got.code == 2
        assert "No space left on device" in got.sentence
        assert left(tmp_path) == before

    def test_an_earlier_account_outlives_a_fault(
        self, run: Ran, stack: Path, sketched: Reading, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        out = tmp_path / "out"
        run("read", stack, "--out", out)
        before = {p.name: p.read_bytes() for p in out.iterdir()}
        monkeypatch.setattr("ossicle.account.html.account_html", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
        assert run("read", stack, "--out", out).code == 130
        assert {p.name: p.read_bytes() for p in out.iterdir()} == before


class TestStopping:
    def test_cancelled_and_interrupted(
        self, run: Ran, stack: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def stopped(*_: object, **__: object) -> None:
            raise KeyboardInterrupt

        monkeypatch.setattr("ossicle.reading.read", stopped, raising=False)
        got = run("read", stack, "--out", tmp_path / "out")
        assert got.code == 130
        assert got.sentence == "Stopped; nothing was written."
        assert "Traceback" not in got.err
        assert not (tmp_path / "out").exists()

    @pytest.mark.parametrize(("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
    def test_a_real_signal(self, stack: Path, tmp_path: Path, number: int, code: int) -> None:
        program = textwrap.dedent(
            """
            import sys, time
            import ossicle.reading
            def slow(*a, progress, **k):
                progress("waiting for the signal", 0.5)
                time.sleep(60)
            ossicle.reading.read = slow
            from ossicle.cli import main
            sys.exit(main())
            """
        )
        words = [sys.executable, "-c", program, "read", str(stack), "--out", str(tmp_path / "out")]
        with subprocess.Popen(words, stderr=subprocess.PIPE, text=True) as process:
            assert process.stderr is not None
            for line in process.stderr:
                if "waiting for the signal" in line:
                    break
            process.send_signal(number)
            rest = process.stderr.read()
            assert process.wait(30) == code
        assert rest.strip().endswith(("nothing was written.", "nothing half-made was kept."))
        assert "Traceback" not in rest
        assert not [p for p in tmp_path.iterdir() if "out" in p.name]


class TestAccount:
    @pytest.fixture
    def folder(self, run: Ran, stack: Path, sketched: Reading, tmp_path: Path) -> Path:
        run("read", stack, "--out", tmp_path / "out")
        return tmp_path / "out"

    def test_every_form_is_printed(self, run: Ran, folder: Path) -> None:
        assert "Dental formula" in run("account", folder).out
        assert run("account", folder, "--format", "json").out == (folder / "account.json").read_text()
        assert run("account", folder, "--json").out == (folder / "account.json").read_text()
        assert run("account", folder, "--format", "html").out == (folder / "account.html").read_text()
        table = list(csv.reader(io.StringIO(run("account", folder, "--format", "csv").out)))
        assert table == list(csv.reader(io.StringIO((folder / "dentition.csv").read_text())))

    def test_it_is_written_to_a_file(self, run: Ran, folder: Path, tmp_path: Path) -> None:
        got = run("account", folder, "--format", "csv", "--out", tmp_path / "t.csv")
        assert got.code == 0
        assert got.out == ""
        assert (tmp_path / "t.csv").read_bytes() == (folder / "dentition.csv").read_bytes()

    def test_a_page_is_made_where_it_was_lost(self, run: Ran, folder: Path) -> None:
        (folder / "account.html").unlink()
        assert run("account", folder, "--format", "html").out.startswith("<!doctype html>")

    @pytest.mark.parametrize("kind", ["missing", "no account", "spoilt", "of another scan", "out is a folder"])
    def test_what_is_no_account_is_refused(self, run: Ran, folder: Path, tmp_path: Path, kind: str) -> None:
        words: list[object] = ["account", folder]
        if kind == "missing":
            words = ["account", tmp_path / "nowhere"]
        elif kind == "no account":
            (tmp_path / "other").mkdir()
            words = ["account", tmp_path / "other"]
        elif kind == "spoilt":
            (folder / "account.json").write_text('{"schema": "ossicle-account/1"}')
        elif kind == "of another scan":
            (folder / "parts.nii.gz").write_bytes(b"other")
        else:
            words += ["--out", tmp_path]
        got = run(*words)
        assert got.code == 2
        assert got.err.count("\n") == 1
        assert got.out == ""


class TestBadInput:
    """Each is refused with one sentence that names the place, and nothing is written."""

    @pytest.fixture
    def volume(self) -> np.ndarray:
        return np.random.default_rng(0).integers(0, 900, (40, 30, 20), np.uint16)

    def refused(self, run: Ran, source: Path, tmp_path: Path, *words: object) -> str:
        got = run("read", source, "--out", tmp_path / "out", *words)
        assert got.code == 2, got.err
        assert got.sentence.endswith((".", "?"))
        assert "Traceback" not in got.err
        assert not (tmp_path / "out").exists()
        return got.sentence

    def test_missing(self, run: Ran, tmp_path: Path) -> None:
        assert "nowhere" in self.refused(run, tmp_path / "nowhere", tmp_path)

    def test_empty_folder(self, run: Ran, tmp_path: Path) -> None:
        (tmp_path / "empty").mkdir()
        assert "empty" in self.refused(run, tmp_path / "empty", tmp_path)

    def test_one_slice(self, run: Ran, tmp_path: Path, volume: np.ndarray) -> None:
        self.refused(run, write_stack(tmp_path / "s", volume[:1]), tmp_path)

    def test_mixed_sizes(self, run: Ran, tmp_path: Path, volume: np.ndarray) -> None:
        source = write_stack(tmp_path / "s", volume)
        write_stack(tmp_path / "t", volume[:1, :10, :10])
        (tmp_path / "t" / "slice_0000.tif").replace(source / "slice_0007.tif")
        assert "slice_0007" in self.refused(run, source, tmp_path)

    def test_truncated_slice(self, run: Ran, tmp_path: Path, volume: np.ndarray) -> None:
        source = write_stack(tmp_path / "s", volume)
        bad = source / "slice_0011.tif"
        bad.write_bytes(bad.read_bytes()[:400])
        assert "slice_0011" in self.refused(run, source, tmp_path)

    def test_no_spacing(self, run: Ran, tmp_path: Path, volume: np.ndarray) -> None:
        assert "--spacing" in self.refused(run, write_stack(tmp_path / "s", volume, spacing=None), tmp_path)

    @pytest.mark.parametrize("spacing", ["-0.1", "0", "nan", "0.1,0.1", "wide", ""])
    def test_bad_spacing(self, run: Ran, tmp_path: Path, volume: np.ndarray, spacing: str) -> None:
        source = write_stack(tmp_path / "s", volume)
        assert "spacing" in self.refused(run, source, tmp_path, "--spacing", spacing)

    def test_a_path_with_spaces_and_accents_is_no_fault(
        self, run: Ran, tmp_path: Path, sketched: Reading, stack: Path
    ) -> None:
        source = Path(shutil.copytree(stack, tmp_path / "crâne d’été n° 1 [juvénile]"))
        out = tmp_path / "compte rendu é"
        assert run("read", source, "--out", out).code == 0
        assert left(out) == WRITTEN


class TestUsage:
    @pytest.mark.parametrize(
        "words",
        [
            ["read"],
            ["reed", "x"],
            ["read", "x", "--threads", "0"],
            ["read", "x", "--threads", "many"],
            ["read", "x", "--nothing"],
            ["account", "x", "--format", "rtf"],
            ["practice", "make", "carnivore-like-juvenile"],
            ["practice", "mace"],
        ],
    )
    def test_a_wrong_command_gets_one_sentence(self, run: Ran, words: list[str]) -> None:
        got = run(*words)
        assert got.code == 2
        assert got.err.count("\n") == 1
        assert "--help` shows an example." in got.err

    @pytest.mark.parametrize(
        "words", [[], ["read"], ["account"], ["practice"], ["practice", "make"], ["practice", "list"]]
    )
    def test_help_has_an_example(self, run: Ran, words: list[str]) -> None:
        got = run(*words, "--help")
        assert got.code == 0
        assert "Example: ossicle" in got.out

    def test_version(self, run: Ran) -> None:
        assert run("--version").out.startswith("ossicle ")

    def test_help_imports_nothing_heavy(self) -> None:
        program = (
            "import sys\nfrom ossicle.cli import main\nmain(['--help'])\n"
            "heavy = {'numpy', 'scipy', 'skimage', 'SimpleITK', 'zarr', 'PIL', 'jsonschema'}\n"
            "print(*sorted(heavy & set(sys.modules)), file=sys.stderr)"
        )
        done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
        assert done.stderr.strip() == ""

    def test_a_fault_of_ours_says_so(
        self, run: Ran, stack: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def fault(*_: object, **__: object) -> None:
            raise IndexError("list index out of range")

        monkeypatch.setattr("ossicle.reading.read", fault, raising=False)
        got = run("read", stack, "--out", tmp_path / "out")
        assert got.code == 70
        assert got.sentence.startswith("This is a fault in Ossicle, not in your data (IndexError")
        assert "Traceback" not in got.err
        assert not (tmp_path / "out").exists()
        assert "Traceback" in run("--debug", "read", stack).err

    def test_debug_shows_the_traceback_of_a_mendable_error(self, run: Ran, tmp_path: Path) -> None:
        got = run("read", tmp_path / "nowhere", "--debug")
        assert got.code == 2
        assert "Traceback" in got.err
