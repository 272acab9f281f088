"""Labels of a reading, read when they are first looked into; the box of each part, kept between runs."""

from __future__ import annotations

import json
import threading
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ossicle.collection.files import write_file
from ossicle.errors import OssicleError
from ossicle.reading.boxes import Box, boxes_from_json, boxes_to_json
from ossicle.reading.tally import boxes_of
from ossicle.scans.model import ArrayLike3D

__all__ = ["InMemory", "kept_boxes"]


class InMemory:
    """A volume that is read whole, and held, when it is first looked into; a stage is set without it."""

    def __init__(self, volume: ArrayLike3D) -> None:
        self._volume = volume
        self._lock = threading.Lock()
        self._held: npt.NDArray[Any] | None = None
        self.shape: tuple[int, ...] = tuple(volume.shape)
        self.dtype = volume.dtype

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> npt.NDArray[Any]:
        """Return the whole volume."""
        with self._lock:
            if self._held is None:
                self._held = np.asarray(self._volume)
        return np.array(self._held, dtype) if copy else np.asarray(self._held, dtype)

    def __getitem__(self, key: Any, /) -> Any:
        """Return a part of it, as numpy does."""
        return np.asarray(self)[key]


def kept_boxes(folder: Path, uid: str, labels: ArrayLike3D) -> dict[int, Box]:
    """Return the least box of each label of a reading, from ``folder`` where it was kept there, else found and kept."""
    file = folder / f"{uid}-boxes.json"
    with suppress(OSError, ValueError, TypeError, AttributeError):
        data = json.loads(file.read_bytes())
        if tuple(data["shape"]) == tuple(labels.shape):
            return boxes_from_json(data["boxes"], labels.shape)
    found = boxes_of(labels)
    with suppress(OssicleError, OSError):
        folder.mkdir(parents=True, exist_ok=True)
        write_file(file, json.dumps({"shape": list(labels.shape), "boxes": boxes_to_json(found)}).encode())
    return found
