"""A desk that a department shares: the name it is reached by, how it is kept secret on the way, and who may do what."""

from __future__ import annotations

import re
import ssl
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from ossicle.errors import OssicleError

from .persons import ROLES

__all__ = ["Rates", "Sharing", "may", "role_needed"]

_NAME = re.compile(r"(?=.{1,253}$)[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?(\.[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?)*")

_NEEDED: tuple[tuple[str, str, str], ...] = (
    # method, path within /api, role. What is not listed here needs the highest.
    ("GET", r"/places(/scan)?", "manage"),
    ("GET", r".*", "read"),
    ("POST", r"/specimens/[^/]+/measure", "read"),
    ("POST", r"/specimens/[^/]+/(decisions|undo|redo|repeats)", "decide"),
    ("POST", r"/specimens/[^/]+/(steps|talks)(/.*)?", "decide"),
    ("DELETE", r"/specimens/[^/]+/(steps|talks)/.*", "decide"),
    ("POST", r"/intake", "manage"),
    ("POST", r"/specimens/[^/]+/read", "manage"),
    ("POST", r"/jobs/[^/]+/again", "manage"),
    ("DELETE", r"/jobs/[^/]+", "manage"),
)


def role_needed(method: str, path: str) -> str | None:
    """Return the role that a request needs; None where no rule names it (it then needs ``manage``).

    ``path`` is the whole path: ``/api/specimens/1/undo``.
    """
    if not path.startswith("/api/"):
        return "read"
    method = "GET" if method == "HEAD" else method
    within = path.removeprefix("/api")
    for way, pattern, role in _NEEDED:
        if way == method and re.fullmatch(pattern, within):
            return role
    return None


def may(role: str, method: str, path: str) -> bool:
    """Return whether somebody of a role may ask this."""
    return ROLES.index(role) >= ROLES.index(role_needed(method, path) or ROLES[-1])


@dataclass(frozen=True)
class Sharing:
    """How a desk is shared.

    Parameters
    ----------
    name
        Host name that the persons type, ``desk.museum.example``.
    certificate, key
        PEM files, where the desk itself speaks TLS.
    behind_proxy
        Whether a proxy on the way does; it must say so by ``X-Forwarded-Proto: https``.
    """

    name: str
    certificate: Path | None = None
    key: Path | None = None
    behind_proxy: bool = False

    def __post_init__(self) -> None:
        object.__setattr__(self, "name", self.name.strip().lower().rstrip("."))
        if not _NAME.fullmatch(self.name):
            raise OssicleError(
                f"{self.name!r} is no host name", where="--share", mend="give the name alone: desk.museum.example"
            )
        if self.behind_proxy == (self.certificate is not None):
            raise OssicleError(
                "a desk is shared over TLS only",
                where="--share",
                mend="give --certificate and --key, or --behind-proxy where a proxy before it speaks TLS",
            )
        if (self.certificate is None) != (self.key is None):
            raise OssicleError("a certificate and its key go together", where="--key", mend="give both, or neither")
        if self.certificate is not None and self.key is not None:
            try:
                ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(self.certificate, self.key, password="")
            except (OSError, ValueError) as error:
                raise OssicleError(
                    "this certificate and key cannot be used",
                    where=self.certificate.name,
                    mend="give a PEM certificate and its own key without a password",
                ) from error

    def answers_to(self, host: str) -> bool:
        """Return whether a Host header names this desk."""
        name, colon, port = host.strip().lower().partition(":")
        return name.rstrip(".") == self.name and (not colon or port.isdigit())


class Rates:
    """How often something may be done: so many at once, then so many a second, for each key (token bucket).

    Parameters
    ----------
    at_once, per_second
        Size of the bucket and how fast it fills again.
    clock
        Seconds that only grow.
    """

    MOST_KEYS = 10_000

    def __init__(self, at_once: float, per_second: float, clock: Callable[[], float] = time.monotonic) -> None:
        self.at_once, self.per_second, self.clock = at_once, per_second, clock
        self._lock = threading.Lock()
        self._left: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def wait(self, key: str) -> float:
        """Take one; return 0, or how many seconds to wait, in which case none was taken."""
        now = self.clock()
        with self._lock:
            left, when = self._left.pop(key, (self.at_once, now))
            left = min(self.at_once, left + (now - when) * self.per_second)
            waiting = max(0.0, (1 - left) / self.per_second)
            self._left[key] = (left if waiting else left - 1, now)
            while len(self._left) > self.MOST_KEYS:
                self._left.popitem(last=False)
        return waiting
