"""Films: a turn about the skull, the steps of a lesson or a talk, drawn frame by frame and put together by ffmpeg.

Frames are kept in a folder beside the film until it is made: a film that was stopped goes on where it was. What stands
still is drawn once.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

from ossicle.account.folder import unwritten
from ossicle.errors import OssicleError
from ossicle.files import put

from .captions import Caption, webvtt_text
from .files import write_bytes
from .film_pictures import film_picture
from .frames import Frame
from .pictures import png
from .stage import Stage

__all__ = ["draw_frames", "make_film", "needs_ffmpeg"]

Progress = Callable[[str, float], None]
_STAGES: list[Mapping[str, Stage]] = []
CODECS = {
    ".mp4": ("-c:v", "libx264", "-pix_fmt", "yuv420p", "-crf", "18", "-movflags", "+faststart"),
    ".webm": ("-c:v", "libvpx-vp9", "-pix_fmt", "yuv420p", "-crf", "30", "-b:v", "0"),
}
SOUND = {".mp4": ("-c:a", "aac", "-b:a", "96k"), ".webm": ("-c:a", "copy")}
WORDS = {".mp4": ("-c:s", "mov_text"), ".webm": ("-c:s", "webvtt")}


def needs_ffmpeg() -> str:
    """Return where the system's ffmpeg is.

    Raises
    ------
    OssicleError
        There is none.
    """
    found = shutil.which("ffmpeg")
    if found is None:
        raise OssicleError(
            "a film is put together by ffmpeg, which is not installed",
            mend="install it (on Debian, as root: apt-get install ffmpeg) and run this again",
        )
    return found


def make_film(
    stages: Mapping[str, Stage],
    frames: Sequence[Frame],
    out: Path,
    *,
    rate: int,
    width: int,
    height: int,
    workers: int,
    voice: bytes = b"",
    captions: Sequence[Caption] = (),
    progress: Progress | None = None,
) -> None:
    """Draw frames and put them together as a film (MP4 or WebM, by the file's ending).

    Parameters
    ----------
    voice
        Sound to lay under it (WebM); none where empty.
    captions
        Captions as a track of their own, which players show or not.

    Raises
    ------
    OssicleError
        There is no ffmpeg, it fails, or the ending is not known.
    """
    ending = out.suffix.lower()
    if ending not in CODECS:
        raise OssicleError(f"{out.name!r} is neither .mp4 nor .webm", where="--out", mend="end the file's name so")
    program = needs_ffmpeg()
    folder = out.parent / f".{out.name}.frames"
    names = draw_frames(stages, frames, folder, width=width, height=height, workers=workers, progress=progress)
    listed = folder / "frames.txt"
    write_bytes(listed, "".join(f"file '{n}'\nduration {1 / rate:.6f}\n" for n in names).encode())
    partial = folder / f"film{ending}"
    words = [program, "-y", "-loglevel", "error", "-f", "concat", "-safe", "0", "-i", str(listed)]
    tracks = ["-map", "0:v"]
    if voice:
        write_bytes(folder / "voice.webm", voice)
        words += ["-i", str(folder / "voice.webm")]
        tracks += ["-map", "1:a", *SOUND[ending]]
    if captions:
        write_bytes(folder / "captions.vtt", webvtt_text(captions).encode())
        words += ["-i", str(folder / "captions.vtt")]
        tracks += ["-map", f"{2 if voice else 1}:s", *WORDS[ending]]
    words += [*tracks, "-r", str(rate), *CODECS[ending], "-fflags", "+bitexact", "-flags:v", "+bitexact", str(partial)]
    done = subprocess.run(words, capture_output=True, text=True)
    if done.returncode or not partial.is_file():
        said = (done.stderr.strip().splitlines() or ["no reason given"])[-1]
        raise OssicleError(f"ffmpeg failed ({said})", where=out, mend="see that it knows this format: ffmpeg -codecs")
    try:
        put(partial, out)
    except OSError as error:
        raise unwritten(out, error, "name another with --out") from error
    shutil.rmtree(folder, ignore_errors=True)


def draw_frames(
    stages: Mapping[str, Stage],
    frames: Sequence[Frame],
    folder: Path,
    *,
    width: int,
    height: int,
    workers: int,
    progress: Progress | None = None,
) -> list[str]:
    """Draw each frame into a folder, those that are not there yet, and return the files' names in order."""
    surfaces = _surfaces(stages)
    names = [f"{_key(surfaces, f, width, height)}.png" for f in frames]
    missing = {n: f for n, f in zip(names, frames, strict=True) if not (folder / n).is_file()}
    _STAGES[:] = [stages]
    try:
        if workers <= 1:
            for done, (name, frame) in enumerate(missing.items()):
                _frame(folder / name, frame, width, height)
                if progress is not None:
                    progress("frames", (done + 1) / len(missing))
        elif missing:
            import multiprocessing

            # Forked, so that the surfaces are shared and not sent.
            with ProcessPoolExecutor(workers, multiprocessing.get_context("fork")) as pool:
                jobs = [pool.submit(_frame, folder / n, f, width, height) for n, f in missing.items()]
                for done, job in enumerate(as_completed(jobs)):
                    job.result()
                    if progress is not None:
                        progress("frames", (done + 1) / len(missing))
    finally:
        _STAGES.clear()
    return names


def _frame(file: Path, frame: Frame, width: int, height: int) -> None:
    write_bytes(file, png(film_picture(frame, _STAGES[0], width, height)))


def _surfaces(stages: Mapping[str, Stage]) -> str:
    shown = {
        name: {n: [len(s.vertices), round(float(s.vertices.sum(dtype=float)), 3)] for n, s in stage.surfaces.items()}
        for name, stage in stages.items()
    }
    return hashlib.sha256(json.dumps(shown, sort_keys=True).encode()).hexdigest()


def _key(surfaces: str, frame: Frame, width: int, height: int) -> str:
    """A name for a frame by all that it shows, so that frames of another film are not taken for its own."""
    return hashlib.sha256(f"{surfaces} {frame} {width} {height}".encode()).hexdigest()[:24]
