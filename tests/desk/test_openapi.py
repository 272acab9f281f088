"""The desk's interface asked at random, as its own OpenAPI description says it may be: no fault of ours.

Schemathesis makes the requests: for each route data that fit the description, and data that do not.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from asked_desk import AskedDesk
from desk_token import KEY, TOKEN, came_in
from hypothesis import HealthCheck, Phase, given, seed, settings
from starlette.testclient import TestClient

from ossicle.collection import Collection
from ossicle.desk import make_app

schemathesis = pytest.importorskip("schemathesis")

EXAMPLES = 8
SKIPPED = {"/api/jobs/events"}  # it ends only with its listener


@pytest.fixture(scope="module")
def desk(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[AskedDesk]:
    at = tmp_path_factory.mktemp("asked")
    folder = Path(shutil.copytree(made, at / "cabinet"))
    (at / "none").mkdir()
    with Collection.open(folder) as held:
        app = make_app(held, token=TOKEN, key=KEY, roots=[at / "none"], threads=1)
        # Without its lifetime: nothing that is queued is begun.
        web = TestClient(app, base_url="http://localhost")
        yield AskedDesk(came_in(web), folder)


def operations(desk: AskedDesk) -> list[Any]:
    """Return the routes, to be asked without a network."""
    schema = schemathesis.openapi.from_dict(desk.get("/openapi.json"))
    schema.app = desk.web.app
    return [found.ok() for found in schema.get_all_operations()]


def asked(desk: AskedDesk, case: Any) -> Any:
    """Send a case as it stands, as the page would."""
    return case.call(headers={"x-ossicle-desk": TOKEN}, cookies=dict(desk.web.cookies), base_url=str(desk.web.base_url))


def test_no_request_is_a_fault(desk: AskedDesk) -> None:
    codes: dict[int, int] = {}
    found = [o for o in operations(desk) if o.path not in SKIPPED]
    assert len(found) > 20
    for operation in found:
        cases = operation.as_strategy() | operation.as_strategy(generation_mode=schemathesis.GenerationMode.NEGATIVE)

        @seed(7)
        @settings(
            max_examples=EXAMPLES, deadline=None, database=None, phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )  # fmt: skip
        @given(case=cases)
        def story(case: Any) -> None:
            label = case.operation.label
            for number in (None, 1):
                if number is not None:
                    if "number" not in (case.path_parameters or {}):
                        return
                    case.path_parameters = {**case.path_parameters, "number": number}
                answer = asked(desk, case)
                codes[answer.status_code] = codes.get(answer.status_code, 0) + 1
                assert answer.status_code < 500, f"{label}: {answer.text} of {case.as_curl_command()}"
                if answer.status_code >= 400:
                    assert set(answer.json()) >= {"what", "where", "mend"}

        story()
    assert codes.get(200, 0) > 20  # it is not all refused at the door
    assert sum(codes.get(code, 0) for code in (400, 404, 422)) > 20
    with Collection.open(desk.folder) as held:
        assert held.check().sound


def test_an_expectation_that_is_none_is_told(desk: AskedDesk) -> None:
    answer = desk.web.delete("/api/specimens/1/steps/none?expected=-533", headers={"x-ossicle-desk": TOKEN})
    assert answer.status_code == 422
    assert "expected" in answer.json()["where"]
