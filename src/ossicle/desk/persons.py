"""Who may work at a shared desk: named persons, each with a role and a password, kept beside the collection.

Passwords are kept as Argon2id digests in the parameters that RFC 9106, section 4, recommends second (3 passes, 64 MiB,
4 lanes), by argon2-cffi. A password has at least fifteen characters, which NIST SP 800-63B-4 asks of one that stands
alone (figure from memory); no other rule of composition.
"""

from __future__ import annotations

import hashlib
import json
import os
import threading
import unicodedata
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from ossicle.errors import OssicleError

__all__ = ["ROLES", "Person", "Persons"]

ROLES = ("read", "decide", "manage")
"""Each may what those before it may: look; decide and measure; take in, read, cancel."""
FILE = "persons.json"
_FORMAT = "ossicle-persons/1"
_LEAST, _MOST = 15, 1000
_AT_ONCE = 2
"""Passwords that are worked on at a time: each takes 64 MiB."""


@dataclass(frozen=True)
class Person:
    """Somebody who may sign in. ``digest`` is Argon2id in PHC form."""

    name: str
    role: str
    digest: str

    @property
    def key(self) -> str:
        """What changes when the password or the role does."""
        return hashlib.sha256(f"{self.name}\0{self.role}\0{self.digest}".encode()).hexdigest()


@cache
def _hasher() -> Any:
    from argon2 import PasswordHasher
    from argon2.profiles import RFC_9106_LOW_MEMORY

    return PasswordHasher.from_parameters(RFC_9106_LOW_MEMORY)


@cache
def _nobody() -> str:
    """A digest to work on where there is no such person, so that the time taken tells nothing."""
    return str(_hasher().hash(os.urandom(24).hex()))


def _plain(text: str) -> str:
    return unicodedata.normalize("NFKC", text)


class Persons:
    """The persons of one collection. Safe to use from several threads; changes by other processes are seen.

    Parameters
    ----------
    folder
        The collection's folder.
    """

    def __init__(self, folder: Path) -> None:
        self.file = folder / FILE
        self._lock = threading.RLock()
        self._slots = threading.BoundedSemaphore(_AT_ONCE)
        self._seen: tuple[int, int, int] | None = None
        self._known: dict[str, Person] = {}

    def all(self) -> dict[str, Person]:
        """Return the persons by name; raises `OssicleError` where their file is damaged."""
        with self._lock:
            try:
                now = self.file.stat()
            except FileNotFoundError:
                self._seen, self._known = None, {}
                return {}
            except OSError as error:
                raise _damaged() from error
            seen = (now.st_mtime_ns, now.st_size, now.st_ino)
            if seen != self._seen:
                self._known, self._seen = self._read(), seen
            return dict(self._known)

    def _read(self) -> dict[str, Person]:
        try:
            said = json.loads(self.file.read_bytes())
            if said["format"] != _FORMAT:
                raise _damaged()
            known = {str(p["name"]): Person(str(p["name"]), str(p["role"]), str(p["digest"])) for p in said["persons"]}
        except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
            raise _damaged() from error
        if any(p.role not in ROLES for p in known.values()):
            raise _damaged()
        return known

    def get(self, name: str) -> Person | None:
        """Return a person, None where there is none of that name."""
        return self.all().get(" ".join(name.split()))

    def put(self, name: str, role: str, password: str | None) -> Person:
        """Add a person, or change the role or the password of one; ``password`` None keeps the one there is.

        Raises
        ------
        OssicleError
            The name, the role or the password cannot be.
        """
        name = " ".join(name.split())
        if not name or len(name) > 200 or not name.isprintable():
            raise OssicleError("a person needs a name of 1 to 200 characters", where="--add", mend="give one")
        if role not in ROLES:
            raise OssicleError(f"{role!r} is no role", where="--role", mend=f"roles are {', '.join(ROLES)}")
        with self._lock:
            known = self.all()
            if password is None:
                if name not in known:
                    raise OssicleError(f"{name} has no password yet", mend="give one")
                digest = known[name].digest
            else:
                plain = _plain(password)
                if not _LEAST <= len(plain) <= _MOST:
                    raise OssicleError(
                        f"a password has {_LEAST} to {_MOST} characters",
                        where="password",
                        mend="a few words in a row do well",
                    )
                digest = str(_hasher().hash(plain))
            known[name] = Person(name, role, digest)
            self._write(known)
            return known[name]

    def remove(self, name: str) -> None:
        """Remove a person; raises `OssicleError` where there is none of that name. What they decided stays."""
        with self._lock:
            known = self.all()
            if known.pop(" ".join(name.split()), None) is None:
                raise OssicleError(f"there is no person {name!r} here", mend="the list without options names them")
            self._write(known)

    def _write(self, known: dict[str, Person]) -> None:
        from ossicle.collection.files import write_file

        rows = [{"name": p.name, "role": p.role, "digest": p.digest} for _, p in sorted(known.items())]
        write_file(
            self.file,
            (json.dumps({"format": _FORMAT, "persons": rows}, ensure_ascii=False, indent=1) + "\n").encode(),
            mode=0o600,
        )

    def proven(self, name: str, password: str) -> Person | None:
        """Return the person if the password is theirs, else None. Takes as long for a name that is not known."""
        from argon2.exceptions import Argon2Error, InvalidHashError

        person = self.get(name)
        plain = _plain(password[: _MOST + 1])
        with self._slots:
            try:
                _hasher().verify(_nobody() if person is None else person.digest, plain)
            except (Argon2Error, InvalidHashError):
                return None
        return person


def _damaged() -> OssicleError:
    return OssicleError(
        "the list of persons is damaged", where=FILE, mend="restore it, or remove it and add them again"
    )
