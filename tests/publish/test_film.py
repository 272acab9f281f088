"""Films: the turn is a whole one in one frame, frames are kept and not drawn twice, a missing ffmpeg is said."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from ossicle.cli import main
from ossicle.compare import Compared
from ossicle.publish.film import draw_frames, frames_of_turn, make_film
from ossicle.publish.pictures import shot
from ossicle.publish.stage import Stage, stage_of, standard_view


@pytest.fixture(scope="session")
def stage(specimen: Compared) -> Stage:
    return stage_of(specimen, 4000)


def test_a_turn_is_whole_and_level(stage: Stage, specimen: Compared) -> None:
    views = frames_of_turn(stage, standard_view("lateral left", specimen), 2, 4, 64, 48)
    looks = np.array([v.look for v in views])
    assert len(views) == 8
    np.testing.assert_allclose(np.linalg.norm(looks, axis=1), 1)
    np.testing.assert_allclose(looks[:, 1], 0, atol=1e-12)
    np.testing.assert_allclose(looks[4], -looks[0], atol=1e-9)
    steps = np.einsum("ij,ij->i", looks, np.roll(looks, 1, axis=0))
    np.testing.assert_allclose(steps, np.cos(np.pi / 4))
    assert len({(v.centre_mm, v.extent_mm) for v in views}) == 1


def test_frames_hold_the_whole_and_are_drawn_once(stage: Stage, specimen: Compared, tmp_path: Path) -> None:
    views = frames_of_turn(stage, standard_view("lateral left", specimen), 1, 4, 96, 64)
    names = draw_frames(stage, views, tmp_path, width=96, height=64, workers=1)
    assert len(set(names)) == 4
    for name in names:
        image = np.asarray(Image.open(tmp_path / name))
        assert image.shape == (64, 96, 3)
        assert image[1:-1, 1:-1].min() < 200
        assert image[0].min() == image[-1].min() == image[:, 0].min() == image[:, -1].min() == 255
    # Stopped after two: only the others are drawn when it goes on.
    for name in names[2:]:
        (tmp_path / name).unlink()
    before = {n: (tmp_path / n).stat().st_mtime_ns for n in names[:2]}
    assert draw_frames(stage, views, tmp_path, width=96, height=64, workers=2) == names
    assert {n: (tmp_path / n).stat().st_mtime_ns for n in names[:2]} == before
    assert all((tmp_path / n).is_file() for n in names)


def test_without_ffmpeg_a_sentence_says_so(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    assert main(["film", str(folder), "--out", str(tmp_path / "f.mp4")]) == 2
    assert "apt-get install ffmpeg" in capsys.readouterr().err


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is not installed (apt-get install ffmpeg)")
@pytest.mark.parametrize("ending", ["mp4", "webm"])
def test_a_film_has_its_length_and_size(stage: Stage, specimen: Compared, tmp_path: Path, ending: str) -> None:
    views = frames_of_turn(stage, standard_view("dorsal", specimen), 1, 8, 96, 64)
    out = tmp_path / f"turn.{ending}"
    make_film(stage, views, out, rate=8, width=96, height=64, workers=1)
    # Decoded again: as many pictures as went in, of the size asked for, the first like the frame that was drawn.
    words = ["ffmpeg", "-v", "error", "-i", str(out), "-f", "rawvideo", "-pix_fmt", "rgb24", "-"]
    data = subprocess.run(words, capture_output=True, check=True).stdout
    frames = np.frombuffer(data, np.uint8).reshape(-1, 64, 96, 3).astype(int)
    assert 8 <= len(frames) <= 9
    drawn = shot(stage, views[0], 96, 64, fine=1).rgb.astype(int)
    assert np.abs(frames[0] - drawn).mean() < 12
    assert not (tmp_path / f".{out.name}.frames").exists()
