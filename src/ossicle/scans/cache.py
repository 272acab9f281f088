"""Where converted volumes are kept, and how one is found again.

A store's name is a digest of the sources' contents and the options, so equal scans share one store wherever
they lie. A small record for each path remembers size and times of its files, so that an unchanged scan is
served without being read again; a file changed within the last seconds before the record was made is never
trusted (as in version control). Stores are written under a temporary name and renamed into place: one is
there whole or not at all.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import tempfile
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import platformdirs

from ossicle.errors import OssicleError
from ossicle.scans.naming import shown
from ossicle.scans.removal import remove_folder

__all__ = ["Cache", "cache_folder"]

_STALE_SECONDS = 24 * 3600
_TRUST_AFTER_NS = 3_000_000_000
_LAST_WRITES_SECONDS = 0.3  # the store's own threads end what they had begun after one of them has failed


def cache_folder() -> Path:
    """Return the folder of converted volumes: ``OSSICLE_CACHE`` where set, else the user's cache folder."""
    named = os.environ.get("OSSICLE_CACHE")
    return Path(named) if named else Path(platformdirs.user_cache_dir("ossicle"))


class Cache:
    """The stores below one folder.

    Raises
    ------
    OssicleError
        The folder cannot be made or written to.
    """

    def __init__(self, folder: Path | None = None) -> None:
        self.folder = folder if folder is not None else cache_folder()
        try:
            for part in (self.folder / "scans", self.folder / "index"):
                part.mkdir(parents=True, exist_ok=True)
            if not os.access(self.folder / "scans", os.W_OK):
                raise PermissionError(13, "Permission denied")
        except OSError as error:
            raise self._unwritable(error) from error
        self._sweep()

    def _unwritable(self, error: OSError) -> OssicleError:
        return OssicleError(
            f"the converted scan cannot be kept here ({error.strerror or error})",
            where=shown(self.folder),
            mend="free some space, or name another folder in OSSICLE_CACHE",
        )

    def path_of(self, key: str) -> Path:
        """Return where the store of this key lies or will lie."""
        return self.folder / "scans" / f"{key}.ome.zarr"

    @contextmanager
    def new_store(self, needed_bytes: int) -> Iterator[Path]:
        """Give a new temporary folder; remove it afterwards unless :meth:`keep` has moved it.

        Raises
        ------
        OssicleError
            Space on the disk is too small for ``needed_bytes``, or writing fails.
        """
        try:
            free = shutil.disk_usage(self.folder).free
        except OSError as error:
            raise self._unwritable(error) from error
        if needed_bytes > free:
            raise OssicleError(
                f"the converted scan may need {needed_bytes / 1e9:.1f} GB, {free / 1e9:.1f} GB are free",
                where=shown(self.folder),
                mend="free some space, or name another folder in OSSICLE_CACHE",
            )
        temporary: Path | None = None
        watch = 0.0
        try:
            temporary = Path(tempfile.mkdtemp(prefix=".new-", dir=self.folder / "scans"))
            yield temporary
        except OSError as error:
            watch = _LAST_WRITES_SECONDS
            raise self._unwritable(error) from error
        except BaseException:
            watch = _LAST_WRITES_SECONDS
            raise
        finally:
            if temporary is not None:
                remove_folder(temporary, watch_seconds=watch)

    def keep(self, temporary: Path, key: str) -> Path:
        """Move a finished store into place; where an equal one is there already, that one stays."""
        final = self.path_of(key)
        temporary.chmod(0o755)
        try:
            temporary.rename(final)
        except OSError:
            if not final.is_dir():
                raise
        return final

    def discard(self, key: str) -> None:
        """Remove a store found damaged."""
        shutil.rmtree(self.path_of(key), ignore_errors=True)

    def touch(self, key: str) -> None:
        """Note that a store was used now."""
        with contextlib.suppress(OSError):
            os.utime(self.path_of(key))

    def _sweep(self) -> None:
        limit = time.time() - _STALE_SECONDS
        for left in (self.folder / "scans").glob(".new-*"):
            with contextlib.suppress(OSError):
                if left.stat().st_mtime < limit:
                    shutil.rmtree(left, ignore_errors=True)

    # -- finding a scan again
    # ------------------------------------------------------------------------------------

    def remembered(self, request: str, listing: Sequence[Path]) -> str | None:
        """Return the key of an unchanged scan's store, or None.

        Parameters
        ----------
        request
            The source's path and every option, as one text.
        listing
            The files that lie there now and could matter.
        """
        try:
            record = json.loads(self._record(request).read_text("ascii"))
            states = [_state(path) for path in [*listing, *(Path(p) for p in record["elsewhere"])]]
            if record["states"] == states and self.path_of(record["key"]).is_dir():
                return str(record["key"])
        except (OSError, ValueError, KeyError, TypeError):
            pass
        return None

    def remember(self, request: str, listing: Sequence[Path], files: Iterable[Path], key: str, began_ns: int) -> None:
        """Note which store belongs to a request, unless its files are too fresh to trust their times."""
        known = set(listing)
        elsewhere = [path for path in files if path not in known]
        states = [_state(path) for path in [*listing, *elsewhere]]
        if any(state is not None and max(state[1], state[2]) > began_ns - _TRUST_AFTER_NS for state in states):
            return
        record = {"states": states, "elsewhere": [str(path) for path in elsewhere], "key": key}
        self._write(self._record(request), record)

    def _record(self, request: str) -> Path:
        name = hashlib.sha256(request.encode("utf-8", "surrogateescape")).hexdigest()
        return self.folder / "index" / f"{name}.json"

    def sizes_known(self, sizes: Sequence[int]) -> bool:
        """Return whether a scan of such sizes was taken in: a digest first may then save the work."""
        return self._sizes(sizes).is_file()

    def note_sizes(self, sizes: Sequence[int]) -> None:
        """Note the sizes of the files of a scan taken in."""
        self._write(self._sizes(sizes), {})

    def _sizes(self, sizes: Sequence[int]) -> Path:
        name = hashlib.sha256(",".join(map(str, sizes)).encode()).hexdigest()
        return self.folder / "index" / f"sizes-{name}.json"

    def _write(self, path: Path, record: dict[str, Any]) -> None:
        """Write a record whole or not at all; records only save time, so a failure is let go."""
        with contextlib.suppress(OSError):
            handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=".new-")
            try:
                with os.fdopen(handle, "w", encoding="ascii") as file:
                    json.dump(record, file)
                Path(temporary).replace(path)
            except BaseException:
                Path(temporary).unlink(missing_ok=True)
                raise


def _state(path: Path) -> list[int] | None:
    """Return size, times and inode of a file, or None where there is none."""
    try:
        stat = path.stat()
    except OSError:
        return None
    return [stat.st_size, stat.st_mtime_ns, stat.st_ctime_ns, stat.st_ino]
