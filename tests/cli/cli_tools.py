"""What the tests of the commands share."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import tifffile


class Run:
    """What a command printed and how it ended."""

    def __init__(self, code: int, out: str, err: str) -> None:
        self.code, self.out, self.err = code, out, err

    @property
    def sentence(self) -> str:
        """The last line of stderr, which is where errors are told."""
        return self.err.strip().splitlines()[-1] if self.err.strip() else ""


def write_stack(folder: Path, volume: np.ndarray, *, spacing: float | None = 0.25) -> Path:
    folder.mkdir(parents=True)
    for i, page in enumerate(volume):
        tifffile.imwrite(folder / f"slice_{i:04d}.tif", page)
    if spacing is not None:
        (folder / "scan.json").write_text(f'{{"spacing_mm_zyx": [{spacing}, {spacing}, {spacing}]}}')
    return folder
