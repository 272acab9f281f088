"""A PostgreSQL server for tests."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path


def programs_of_postgres() -> Path | None:
    """Return the folder of the server's programs, where it is installed."""
    named = shutil.which("initdb")
    places = [Path(named).parent] if named else []
    places += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    return next((p for p in places if (p / "initdb").exists() and (p / "pg_ctl").exists()), None)


class Server:
    """A PostgreSQL server of our own, on a socket in a temporary folder."""

    def __init__(self, programs: Path, folder: Path) -> None:
        self.programs, self.folder = programs, folder
        self.as_user = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
        if self.as_user:
            shutil.chown(folder, "postgres")
        self._run("initdb", "-D", str(folder / "data"), "-U", "postgres", "-A", "trust", "-E", "UTF8")

    @property
    def url(self) -> str:
        """The address of its database ``postgres``."""
        return f"postgresql://postgres@/postgres?host={self.folder}"

    def _run(self, program: str, *words: str) -> None:
        command = [*self.as_user, str(self.programs / program), *words]
        done = subprocess.run(command, capture_output=True, text=True, cwd=self.folder, timeout=300)
        assert done.returncode == 0, done.stderr

    def start(self) -> None:
        """Start it, and wait until it answers."""
        # What is shown here is that no update is lost among writers; that a disk holds what it was given is not.
        quick = "-c fsync=off -c synchronous_commit=off -c full_page_writes=off"
        options = f"-k {self.folder} -c listen_addresses= {quick}"
        log = str(self.folder / "log")
        self._run("pg_ctl", "-D", str(self.folder / "data"), "-o", options, "-l", log, "-w", "start")

    def stop(self) -> None:
        """Stop it; whoever is connected is cut off."""
        self._run("pg_ctl", "-D", str(self.folder / "data"), "-m", "fast", "-w", "stop")
