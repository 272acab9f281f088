"""Films: the turn is a whole one in one frame, frames are kept and not drawn twice, a missing ffmpeg is said."""

from __future__ import annotations

import json
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from ossicle.cli import main
from ossicle.compare import Compared
from ossicle.publish.captions import Caption
from ossicle.publish.film import draw_frames, make_film
from ossicle.publish.film_pictures import film_picture
from ossicle.publish.frames import Frame, eye_at, frames_of_lesson, frames_of_turn
from ossicle.publish.lesson_text import read_lesson
from ossicle.publish.scene import Eye
from ossicle.publish.stage import Stage, stage_of, standard_view
from ossicle.publish.standing import camera_for, scene_of_view
from ossicle.publish.voice import voice_of, webm


@pytest.fixture(scope="session")
def stage(specimen: Compared) -> Stage:
    return stage_of(specimen, 4000)


def test_a_turn_is_whole_and_level(stage: Stage, specimen: Compared) -> None:
    frames = frames_of_turn(stage, standard_view("lateral left", specimen), 2, 4, 64, 48)
    looks = np.array([f.scene.eye.look for f in frames])
    assert len(frames) == 8
    np.testing.assert_allclose(np.linalg.norm(looks, axis=1), 1)
    np.testing.assert_allclose(looks[:, 1], 0, atol=1e-12)
    np.testing.assert_allclose(looks[4], -looks[0], atol=1e-9)
    steps = np.einsum("ij,ij->i", looks, np.roll(looks, 1, axis=0))
    np.testing.assert_allclose(steps, np.cos(np.pi / 4))
    assert len({(f.scene.eye.centre_mm, f.scene.eye.extent_mm) for f in frames}) == 1


def test_frames_hold_the_whole_and_are_drawn_once(stage: Stage, specimen: Compared, tmp_path: Path) -> None:
    frames = frames_of_turn(stage, standard_view("lateral left", specimen), 1, 4, 96, 64)
    names = draw_frames({stage.specimen.name: stage}, frames, tmp_path, width=96, height=64, workers=1)
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
    assert draw_frames({stage.specimen.name: stage}, frames, tmp_path, width=96, height=64, workers=2) == names
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
    frames = frames_of_turn(stage, standard_view("dorsal", specimen), 1, 8, 96, 64)
    out = tmp_path / f"turn.{ending}"
    make_film({stage.specimen.name: stage}, frames, out, rate=8, width=96, height=64, workers=1)
    # Decoded again: as many pictures as went in, of the size asked for, the first like the frame that was drawn.
    words = ["ffmpeg", "-v", "error", "-i", str(out), "-f", "rawvideo", "-pix_fmt", "rgb24", "-"]
    data = subprocess.run(words, capture_output=True, check=True).stdout
    seen = np.frombuffer(data, np.uint8).reshape(-1, 64, 96, 3).astype(int)
    assert 8 <= len(seen) <= 9
    drawn = film_picture(frames[0], {stage.specimen.name: stage}, 96, 64).astype(int)
    assert np.abs(seen[0] - drawn).mean() < 12
    assert not (tmp_path / f".{out.name}.frames").exists()


def test_a_lesson_is_filmed_step_by_step(stage: Stage, specimen: Compared) -> None:
    name = specimen.name
    stages = {name: stage, "twin": replace(stage, specimen=replace(specimen, name="twin"))}
    steps = [
        {"title": "One", "view": "lateral left", "narration": "Five words are said here."},
        {"title": "Two", "view": "lateral right", "label": ["upper teeth"], "narration": "A. B."},
        {"title": "Three", "view": "dorsal", "beside": ["twin"], "narration": " ".join(["word"] * 14)},
    ]
    frames, said = frames_of_lesson(read_lesson({"step": steps}, "here"), stages, 10, 160, 90)
    titles = [f.title for f in frames]
    # Read aloud at 140 words a minute, 2.5 s at least a sentence, 0.9 s of travel where the same specimens stand.
    assert [titles.count(t) for t in ("One", "Two", "Three")] == [25, 9 + 50, 60]
    assert [(c.from_ms, c.to_ms) for c in said] == [(0, 2500), (3400, 5900), (5900, 8400), (8400, 14400)]
    looks = np.array([f.scene.eye.look for f in frames[25:35]])
    np.testing.assert_allclose(np.linalg.norm(looks, axis=1), 1)
    assert (np.diff(looks[:, 0]) >= -1e-9).all()  # from -x to +x by the short way, not back and forth
    picture = film_picture(frames[-1], stages, 160, 90)
    # Two stand there: the middle is free, both halves are drawn.
    dark = (picture.min(axis=2) < 200)[20:70]
    assert dark[:, :75].any()
    assert dark[:, 85:].any()
    assert not dark[:, 79:81].any()


def test_the_eye_of_a_talk_goes_between_samples_of_one_movement() -> None:
    eye = Eye((-1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 0.0), 40.0)
    later = replace(eye, centre_mm=(0.0, 0.0, 10.0), extent_mm=10.0)
    eyes = [(0.0, eye), (1000.0, eye), (1200.0, later), (3000.0, eye)]
    half = eye_at(eyes, 1100.0)
    assert half is not None
    assert half.centre_mm == (0.0, 0.0, 5.0)
    assert half.extent_mm == pytest.approx(20)
    assert eye_at(eyes, 900.0) == eye
    assert eye_at(eyes, 2999.0) == later  # it rests, and is then elsewhere
    assert eye_at(eyes, 9000.0) == eye


def test_a_pointer_lies_where_it_was_pointed(stage: Stage, specimen: Compared) -> None:
    scene = scene_of_view(standard_view("lateral left", specimen), stage, 320, 180)
    bare = film_picture(Frame(scene), {specimen.name: stage}, 320, 180).astype(int)
    mm = camera_for(scene.eye, 320, 180).mm_per_px
    shown = film_picture(Frame(scene, pointer=(40 * mm, 30 * mm)), {specimen.name: stage}, 320, 180).astype(int)
    rows, columns = np.nonzero(np.abs(shown - bare).sum(axis=2))
    assert (columns.min() + columns.max()) / 2 == pytest.approx(159.5 + 40, abs=1)
    assert (rows.min() + rows.max()) / 2 == pytest.approx(89.5 - 30, abs=1)


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is not installed (apt-get install ffmpeg)")
@pytest.mark.parametrize("ending", ["mp4", "webm"])
def test_voice_and_captions_go_along(stage: Stage, specimen: Compared, tmp_path: Path, ending: str) -> None:
    scene = scene_of_view(standard_view("dorsal", specimen), stage, 96, 64)
    sound = webm(voice_of((Path(__file__).parent / "recorded.webm").read_bytes()))
    out = tmp_path / f"talk.{ending}"
    make_film(
        {specimen.name: stage}, [Frame(scene)] * 40, out, rate=8, width=96, height=64, workers=1, voice=sound,
        captions=[Caption(500, 2000, "Said <so>")],
    )  # fmt: skip
    words = ["ffprobe", "-v", "error", "-show_entries", "stream=codec_type:format=duration", "-of", "json", str(out)]
    told = json.loads(subprocess.run(words, capture_output=True, text=True, check=True).stdout)
    assert [s["codec_type"] for s in told["streams"]] == ["video", "audio", "subtitle"]
    assert float(told["format"]["duration"]) == pytest.approx(5.46, abs=0.2)
    back = ["ffmpeg", "-v", "error", "-i", str(out), "-f", "webvtt", "-"]
    text = subprocess.run(back, capture_output=True, text=True, check=True).stdout
    assert "00:00.500 --> 00:02.000" in text
