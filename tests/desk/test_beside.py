"""Specimens side by side: the desk says what the comparison says, of the specimens as they stand with decisions."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from asked_desk import AskedDesk
from desk_token import KEY, TOKEN, came_in
from desk_world import SIX, make
from starlette.testclient import TestClient

from ossicle.collection import Collection
from ossicle.compare import by_surfaces, compare_two, comparison_to_dict, from_collection
from ossicle.desk import make_app


@pytest.fixture(scope="module")
def three(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[AskedDesk, Collection]]:
    """1 juvenile, 2 adult, 3 subadult."""
    folder = make(tmp_path_factory.mktemp("beside"), SIX[:3])
    with (
        Collection.open(folder) as held,
        TestClient(make_app(held, token=TOKEN, key=KEY, roots=[], threads=1), base_url="http://127.0.0.1:7041") as web,
    ):
        yield AskedDesk(came_in(web), folder), held


def test_it_says_what_the_comparison_says(three: tuple[AskedDesk, Collection]) -> None:
    desk, held = three
    told = desk.get("/compare", specimens="1,2")
    own = comparison_to_dict(compare_two(from_collection(held, "OTC 11"), from_collection(held, "OTC 12")))
    pair = told["pairs"][0]
    assert pair["other"] == "2"
    assert pair["differences"] == own["differences"]
    assert pair["prose"] == own["prose"]
    # As they were drawn: dP4 over P4 in its crypt against P4 in place.
    row = next(d for d in pair["differences"] if d["subject"] == "left upper P4")
    assert row["values"] == ["dP4 in place, P4 in its crypt", "P4 in place"]
    assert [len(e["parts"]) for e in row["evidence"]] == [2, 1]


def test_counterparts_answer_by_homology(three: tuple[AskedDesk, Collection]) -> None:
    desk, _ = three
    teeth = [
        {(t["side"], t["jaw"], t["name"]): t["part"] for t in desk.get(f"/specimens/{n}")["account"]["teeth"]}
        for n in (1, 2)
    ]
    for across, answer in ((False, []), (True, [teeth[1]["left", "upper", "P4"]])):
        found = desk.get("/compare", specimens="1,2", across=across)["counterparts"]
        mine = next(c for c in found if teeth[0]["left", "upper", "dP4"] in c["parts"][0])
        assert mine["parts"][1] == answer
    bones = next(c for c in found if c["label"] == "cranium")
    assert bones["parts"] == [[1], [1]]


def test_they_are_laid_on_the_first_by_surfaces(three: tuple[AskedDesk, Collection]) -> None:
    desk, held = three
    placed = desk.get("/compare", specimens="1,2", by="surfaces")["pairs"][0]["placement"]
    own = by_surfaces(from_collection(held, "OTC 12"), from_collection(held, "OTC 11"), [1], [1])
    np.testing.assert_allclose(placed["matrix"], own.matrix, atol=1e-5)
    assert placed["points"] == own.count > 1000
    # Both were drawn in one slab of bone.
    np.testing.assert_allclose(placed["matrix"], np.eye(4), atol=0.01)


def test_a_series_runs_from_young_to_old(three: tuple[AskedDesk, Collection]) -> None:
    desk, _ = three
    told = desk.get("/series", specimens="2,1,3")
    assert [s["id"] for s in told["specimens"]] == ["1", "3", "2"]
    track = next(t for t in told["tracks"] if t["name"] == "P4")
    shown = [{k: v and (v["name"], v["share"]) for k, v in cell.items()} for cell in track["cells"]]
    assert shown == [
        {"deciduous": ("dP4", 1.0), "lasting": ("P4", None)},
        {"deciduous": ("dP4", 1.0), "lasting": ("P4", None)},
        {"deciduous": None, "lasting": ("P4", 1.0)},
    ]


def test_a_decision_changes_the_comparison_at_once(three: tuple[AskedDesk, Collection]) -> None:
    desk, _ = three
    before = desk.get("/compare", specimens="3,1")["pairs"][0]
    part = next(
        t["part"]
        for t in desk.get("/specimens/3")["account"]["teeth"]
        if (t["side"], t["jaw"], t["name"]) == ("left", "lower", "M3")
    )
    desk.send("/specimens/3/decisions", kind="discard", part=part, why="a pebble")
    after = desk.get("/compare", specimens="3,1")["pairs"][0]
    desk.send("/specimens/3/undo")
    names = [{d["subject"] for d in pair["differences"]} for pair in (before, after)]
    assert names[1] - names[0] == {"left lower M3"}
    assert desk.get("/compare", specimens="3,1")["pairs"][0] == before


@pytest.mark.parametrize(
    ("path", "query", "what"),
    [
        ("compare", {"specimens": "1"}, "1 specimens cannot stand"),
        ("compare", {"specimens": "1,1"}, "named twice"),
        ("compare", {"specimens": "1,x"}, "by number"),
        ("compare", {"specimens": "1,99"}, "no specimen"),
        ("compare", {"specimens": "1,2", "scale": "true"}, "no size to fit"),
        ("compare", {"specimens": "1,2", "by": "landmarks"}, "landmarks"),
        ("series", {"specimens": "1,2"}, "no series"),
    ],
)
def test_what_cannot_be_compared_is_told(
    three: tuple[AskedDesk, Collection], path: str, query: dict[str, str], what: str
) -> None:
    answer = three[0].web.get(f"/api/{path}", params=query)
    assert answer.status_code in (400, 404)
    assert what in answer.json()["what"]
    assert answer.json()["mend"]
