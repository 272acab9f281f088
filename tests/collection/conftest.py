from __future__ import annotations

import multiprocessing
import os
import shutil
import sys
import tempfile
from collections.abc import Iterator
from multiprocessing import forkserver
from multiprocessing.context import ForkServerContext
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parent.parent / "account"))
sys.path.append(str(Path(__file__).parent.parent / "cli"))
sys.path.append(str(Path(__file__).parent))

from cli_tools import Run
from postgres_server import Server, programs_of_postgres

from ossicle.cli import main


@pytest.fixture(autouse=True)
def _own_place(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("OSSICLE_CACHE", str(tmp_path_factory.getbasetemp() / "cache"))
    for name in ("OSSICLE_PERSON", "OSSICLE_COLLECTION", "OSSICLE_CATALOGUE"):
        monkeypatch.delenv(name, raising=False)


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]):
    def ran(*words: object) -> Run:
        code = main([str(word) for word in words])
        got = capsys.readouterr()
        return Run(code, got.out, got.err)

    return ran


@pytest.fixture(scope="session")
def forked(tmp_path_factory: pytest.TempPathFactory) -> ForkServerContext:
    """A server of processes that has everything loaded, so that a process begins with its work at once."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["crash_work", "writers"])
    here = str(Path(__file__).parent)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", os.pathsep.join([here, *os.environ.get("PYTHONPATH", "").split(os.pathsep)]))
        patch.setenv("OSSICLE_TEST_WARM", str(tmp_path_factory.mktemp("warm") / "once"))
        patch.setenv("OSSICLE_CACHE", str(tmp_path_factory.getbasetemp() / "cache"))
        forkserver.ensure_running()
    return context


@pytest.fixture(scope="session")
def server() -> Iterator[Server]:
    """A PostgreSQL server that runs."""
    programs = programs_of_postgres()
    if programs is None:
        pytest.skip("PostgreSQL is not installed (on Debian: apt-get install postgresql)")
    pytest.importorskip("psycopg")
    folder = Path(tempfile.mkdtemp(prefix="ossicle-pg-"))
    try:
        made = Server(programs, folder)
        made.start()
        try:
            yield made
        finally:
            made.stop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(scope="session")
def postgres(server: Server) -> str:
    """The address of a running server's database ``postgres``."""
    return server.url


@pytest.fixture
def empty_postgres(postgres: str, request: pytest.FixtureRequest) -> str:
    """The address of a new, empty database."""
    import secrets

    import sqlalchemy as sa

    name = f"t{secrets.token_hex(6)}"
    url = sa.make_url(postgres).set(drivername="postgresql+psycopg")
    engine = sa.create_engine(url, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.execute(sa.text(f"CREATE DATABASE {name}"))
    engine.dispose()
    return url.set(drivername="postgresql", database=name).render_as_string(hide_password=False)
