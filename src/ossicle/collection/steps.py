"""Steps of a lesson, kept from the desk: views with a title and narration, one file a specimen in ``steps/``.

Each is what the stage showed (`ossicle.publish.scene` says how that is written), with what a person says to it.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from ossicle.errors import OssicleError

from .catalogue import Conflict
from .files import FileLock, Layout, plain, read_json, unwritable, write_file

__all__ = ["MOST_STEPS", "Kept", "change_steps", "steps_of"]

FORMAT = "ossicle-steps/1"
MOST_STEPS = 200
Step = Mapping[str, Any]


class Kept:
    """The steps of a specimen in their order; ``version`` grows with every change, and is 0 before the first."""

    def __init__(self, version: int, steps: Sequence[Step]) -> None:
        self.version, self.steps = version, tuple(steps)


def steps_of(layout: Layout, specimen: int) -> Kept:
    """Return the steps of a specimen by its number in the collection.

    Raises
    ------
    OssicleError
        Their file is damaged, or of a later Ossicle.
    """
    file = layout.root / "steps" / f"{specimen}.json"
    if not file.is_file():
        return Kept(0, ())
    data = read_json(file)
    version, steps = data.get("version"), data.get("steps")
    if data.get("format") != FORMAT or not isinstance(version, int) or not isinstance(steps, list):
        raise OssicleError("these steps are damaged or of a later Ossicle", where=file.name, mend="restore the file")
    return Kept(version, steps)


def change_steps(
    layout: Layout, specimen: int, change: Callable[[list[dict[str, Any]]], list[dict[str, Any]]], expected: int | None
) -> Kept:
    """Change the steps of a specimen, whole or not at all; on disk when this returns.

    Parameters
    ----------
    change
        Given the steps as they are, returns them as they shall be.
    expected
        The version that the person had seen; None changes them whatever was done since.

    Raises
    ------
    Conflict
        They were changed since ``expected``; nothing was kept.
    OssicleError
        There would be too many, or they cannot be written.
    """
    file = layout.root / "steps" / f"{specimen}.json"
    try:
        file.parent.mkdir(exist_ok=True)
        with FileLock(layout.work / f"steps-{specimen}.lock"):
            now = steps_of(layout, specimen)
            if expected is not None and expected != now.version:
                raise Conflict(
                    "the lesson was changed elsewhere in the meantime", mend="look at it as it is, and go on"
                )
            steps = change([dict(s) for s in now.steps])
            if len(steps) > MOST_STEPS:
                raise OssicleError(f"a lesson has {MOST_STEPS} steps at most", mend="delete some")
            made = Kept(now.version + 1, [plain(s) for s in steps])
            text = json.dumps(
                {"format": FORMAT, "version": made.version, "steps": list(made.steps)}, ensure_ascii=False
            )
            write_file(file, text.encode())
            return made
    except OSError as error:
        raise unwritable(file, error) from error
