"""Films: the steps of a lesson, or a turn about the skull, drawn frame by frame and put together by ffmpeg.

Frames are kept in a folder beside the film until it is made: a film that was stopped goes on where it was.
"""

from __future__ import annotations

import hashlib
import json
import math
import shutil
import subprocess
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import replace
from pathlib import Path

import numpy as np

from ossicle.account.records import View
from ossicle.errors import OssicleError

from .files import write_bytes
from .pictures import camera_of, png, shot
from .stage import Stage

__all__ = ["frames_of_turn", "make_film", "needs_ffmpeg"]

Progress = Callable[[str, float], None]
_STAGE: list[Stage] = []
CODECS = {
    ".mp4": ("-c:v", "libx264", "-pix_fmt", "yuv420p", "-crf", "18", "-movflags", "+faststart"),
    ".webm": ("-c:v", "libvpx-vp9", "-pix_fmt", "yuv420p", "-crf", "30", "-b:v", "0"),
}


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


def frames_of_turn(stage: Stage, view: View, seconds: float, rate: int, width: int, height: int) -> list[View]:
    """Return the views of one whole turn about the view's own vertical, all in one frame that holds the whole turn."""
    count = max(2, round(seconds * rate))
    up = np.asarray(view.up, float)
    up /= np.linalg.norm(up)
    look = np.asarray(view.look, float)
    turned = []
    for k in range(count):
        angle = 2 * math.pi * k / count
        # Rodrigues' formula.
        at = look * math.cos(angle) + np.cross(up, look) * math.sin(angle) + up * (up @ look) * (1 - math.cos(angle))
        turned.append(replace(view, look=(float(at[0]), float(at[1]), float(at[2]))))
    b = stage.bounds(view)
    axes = camera_of(stage, replace(view, centre_mm=None), width, height).axes
    middle = np.array([(b[0] + b[3]) / 2, (b[1] + b[4]) / 2, (b[2] + b[5]) / 2]) @ axes
    across = math.hypot(b[3] - b[0], b[5] - b[2])
    extent = 1.05 * max(across / width, (b[4] - b[1]) / height) * min(width, height)
    centre = (float(middle[0]), float(middle[1]), float(middle[2]))
    return [replace(v, centre_mm=centre, extent_mm=extent) for v in turned]


def make_film(
    stage: Stage,
    views: Sequence[View],
    out: Path,
    *,
    rate: int,
    width: int,
    height: int,
    workers: int,
    progress: Progress | None = None,
) -> None:
    """Draw views and put them together as a film (MP4 or WebM, by the file's ending).

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
    names = draw_frames(stage, views, folder, width=width, height=height, workers=workers, progress=progress)
    listed = folder / "frames.txt"
    write_bytes(listed, "".join(f"file '{n}'\nduration {1 / rate:.6f}\n" for n in names).encode())
    partial = folder / f"film{ending}"
    words = [program, "-y", "-loglevel", "error", "-f", "concat", "-safe", "0", "-i", str(listed)]
    words += ["-r", str(rate), *CODECS[ending], "-fflags", "+bitexact", "-flags:v", "+bitexact", str(partial)]
    done = subprocess.run(words, capture_output=True, text=True)
    if done.returncode or not partial.is_file():
        said = (done.stderr.strip().splitlines() or ["no reason given"])[-1]
        raise OssicleError(f"ffmpeg failed ({said})", where=out, mend="see that it knows this format: ffmpeg -codecs")
    partial.replace(out)
    shutil.rmtree(folder, ignore_errors=True)


def draw_frames(
    stage: Stage,
    views: Sequence[View],
    folder: Path,
    *,
    width: int,
    height: int,
    workers: int,
    progress: Progress | None = None,
) -> list[str]:
    """Draw each view into a folder, those that are not there yet, and return the files' names in order."""
    names = [f"{_key(stage, v, width, height)}.png" for v in views]
    missing = {n: v for n, v in zip(names, views, strict=True) if not (folder / n).is_file()}
    _STAGE[:] = [stage]
    try:
        if workers <= 1:
            for done, (name, view) in enumerate(missing.items()):
                _frame(folder / name, view, width, height)
                if progress is not None:
                    progress("frames", (done + 1) / len(missing))
        elif missing:
            import multiprocessing

            # Forked, so that the surfaces are shared and not sent.
            with ProcessPoolExecutor(workers, multiprocessing.get_context("fork")) as pool:
                jobs = [pool.submit(_frame, folder / n, v, width, height) for n, v in missing.items()]
                for done, job in enumerate(as_completed(jobs)):
                    job.result()
                    if progress is not None:
                        progress("frames", (done + 1) / len(missing))
    finally:
        _STAGE.clear()
    return names


def _frame(file: Path, view: View, width: int, height: int) -> None:
    write_bytes(file, png(shot(_STAGE[0], view, width, height, fine=1).rgb))


def _key(stage: Stage, view: View, width: int, height: int) -> str:
    """A name for a frame by all that it shows, so that frames of another film are not taken for its own."""
    whole = hashlib.sha256()
    shown = {n: [len(s.vertices), round(float(s.vertices.sum(dtype=float)), 3)] for n, s in stage.surfaces.items()}
    whole.update(json.dumps([shown, str(view), width, height], sort_keys=True).encode())
    return whole.hexdigest()[:24]
