"""Start, errors and exit codes. Imports nothing heavy, so that --help comes at once."""

from __future__ import annotations

import codecs
import errno
import io
import os
import re
import signal
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from types import FrameType

from ossicle.errors import Cancelled, OssicleError, shortened

__all__ = ["main"]

DONE, MENDABLE, OUR_FAULT, STOPPED, TOLD_TO_END = 0, 2, 70, 130, 143
_STOPPED = "Stopped; nothing was written."
_WINDOWS = (
    "Ossicle runs on Linux (on macOS it was not tried); on Windows install and run it within the Linux subsystem, "
    "where drive C: is the folder /mnt/c."
)


_OF_THE_MACHINE = {
    errno.ENAMETOOLONG: "give a shorter name",
    errno.EFBIG: "raise the limit of a file's size (ulimit -f) and run it again",
    errno.ELOOP: "its links lead in a circle; name the folder itself",
    errno.EACCES: "ask for the right to it, or name another place",
    errno.EPERM: "ask for the right to it, or name another place",
    errno.EROFS: "name a place that can be written to",
    errno.ENOSPC: "make room and run it again",
    errno.EDQUOT: "make room and run it again",
    errno.EIO: "the disk or the network does not answer as it should; copy the data elsewhere and run it again",
    errno.EMFILE: "raise the limit of open files (ulimit -n) and run it again",
}
"""How a person mends what the machine refuses; any other error that escapes is a fault of ours."""


class _ToldToEnd(BaseException):
    """SIGTERM came."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run a command and return its exit code.

    Parameters
    ----------
    argv
        Words after ``ossicle``; those of the process where left out.
    """
    words = list(sys.argv[1:] if argv is None else argv)
    debug = "--debug" in words
    words = [word for word in words if word != "--debug"]
    if sys.platform == "win32":
        return _told(_WINDOWS, MENDABLE)
    _print_anywhere()
    from .app import app

    try:
        with _ending_on_signal():
            result = app(args=words, prog_name="ossicle", standalone_mode=False)
            sys.stdout.flush()
        if result == STOPPED:  # how Typer tells of a KeyboardInterrupt
            return _told(_STOPPED, STOPPED)
        return result if isinstance(result, int) else DONE
    except OssicleError as error:
        return _told(error.sentence(), MENDABLE, error if debug else None)
    except (KeyboardInterrupt, Cancelled) as stop:
        return _told(str(stop) or _STOPPED, STOPPED)
    except _ToldToEnd:
        return _told("Ended by a signal; nothing half-made was kept.", TOLD_TO_END)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except MemoryError as error:
        return _told(
            "The memory of this machine does not suffice for this scan; close other programs or read a coarser copy.",
            MENDABLE,
            error if debug else None,
        )
    except OSError as error:
        if error.errno not in _OF_THE_MACHINE:
            return _other(error, debug)
        what = (error.strerror or "it is refused").lower()
        told = OssicleError(
            what, where=error.filename and shortened(str(error.filename), 80), mend=_OF_THE_MACHINE[error.errno]
        )
        return _told(told.sentence(), MENDABLE, error if debug else None)
    except Exception as error:
        return _other(error, debug)


def _print_anywhere() -> None:
    """Let no output end a command: none where it is closed, and ``\\u2013`` where its encoding lacks a letter."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115, open as long as the process
        elif isinstance(stream, io.TextIOWrapper) and not stream.encoding.lower().startswith("utf"):
            codecs.register_error("ossicle", _escaped)
            stream.reconfigure(errors="ossicle")


def _escaped(error: UnicodeError) -> tuple[str, int]:
    assert isinstance(error, UnicodeEncodeError)
    import json

    return json.dumps(error.object[error.start : error.end])[1:-1], error.end


def _other(error: Exception, debug: bool) -> int:
    name = type(error).__name__
    if name == "Exit":
        return int(getattr(error, "exit_code", DONE))
    if name == "Abort":
        return _told(_STOPPED, STOPPED)
    said = getattr(error, "format_message", None)
    if callable(said):
        return _told(_usage(str(said()), getattr(error, "ctx", None)), MENDABLE, error if debug else None)
    first = str(error).strip().splitlines()[0] if str(error).strip() else "no message"
    return _told(
        f"This is a fault in Ossicle, not in your data ({name}: {first}); please run it again with "
        f"--debug and report what it "
        "prints to the developers, with the command.",
        OUR_FAULT,
        error if debug else None,
    )


def _usage(message: str, context: object) -> str:
    """Return a usage error as one sentence that says where to look."""
    command = getattr(context, "command_path", None) or "ossicle"
    text = " ".join(message.split()).rstrip(".?")
    text = re.sub(r"\. ?[Dd]id you mean", ", did you mean", text)
    return f"{text}; `{command} --help` shows an example."


def _told(sentence: str, code: int, error: BaseException | None = None) -> int:
    if error is not None:
        import traceback

        traceback.print_exception(error, file=sys.stderr)
    print(sentence, file=sys.stderr)
    return code


@contextmanager
def _ending_on_signal() -> Iterator[None]:
    def end(_number: int, _frame: FrameType | None) -> None:
        raise _ToldToEnd

    try:
        before = signal.signal(signal.SIGTERM, end)
    except ValueError:  # not in the main thread
        yield
        return
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
