"""Schema and migrations, data kept; append-only; several writers; sensitive localities; human remains."""

from __future__ import annotations

import json
from contextlib import nullcontext
from itertools import pairwise
from multiprocessing.context import ForkServerContext
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy.exc import DBAPIError
from writers import count_up, decide_often

from ossicle.collection import Collection, Conflict, Decision
from ossicle.collection.catalogue import Catalogue, current_revision, upgrade
from ossicle.collection.decisions import append, broken_at, load_decisions
from ossicle.collection.history import digest_of
from ossicle.collection.tables import Base, SpecimenRow
from ossicle.errors import OssicleError

AT = "2031-01-01T00:00:00.000Z"


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of an empty database, on either kind of server."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'catalogue.sqlite'}"
    found: str = request.getfixturevalue("empty_postgres")
    return found


def first_schema(catalogue: Catalogue) -> None:
    """Fill a catalogue of the first schema, as its version of Ossicle wrote it."""
    upgrade(catalogue.engine, "0001")
    decision = Decision(
        1, "agree", "A. Reader", AT, "clear", "5" * 64, 1, (), {"finding": "formula/counts", "value": 3}
    )
    terms = {
        "country": "Nowhere", "decimalLatitude": "-12.34567", "decimalLongitude": "45.1",
        "coordinateUncertaintyInMeters": "30", "locality": "by the old mill",
    }  # fmt: skip
    rows = {
        "collection": [{"uid": "c" * 32, "created": AT}],
        "specimen": [
            {"id": 1, "catalog_number": "OTC 1", "scientific_name": "Fictus minor", "sex": "female",
             "life_stage": "juvenile", "terms": json.dumps(terms), "human_remains": False, "consent": "",
             "remains_provenance": "", "export_allowed": False, "created": AT, "changed": AT, "version": 4},
            {"id": 2, "catalog_number": "OTC 2", "scientific_name": "", "sex": "", "life_stage": "", "terms": "{}",
             "human_remains": True, "consent": "given", "remains_provenance": "", "export_allowed": False,
             "created": AT, "changed": AT, "version": 1},
        ],
        "scan": [
            {"id": 1, "key": "5" * 64, "content_sha256": "6" * 64, "store_sha256": "7" * 64, "name": "a",
             "shape_zyx": "[2, 3, 4]", "geometry": json.dumps({"spacing_mm_zyx": [0.1, 0.1, 0.1]}), "grey_unit": "grey",
             "calibration": "{}", "scanner": "{}", "sources": "[]", "source_kept": "reference", "source_path": "/x",
             "source_state": "", "warnings": "[]", "added": AT},
        ],
        "specimen_scan": [{"specimen_id": 1, "scan_id": 1, "box_zyx": None}],
        "reading": [
            {"id": 1, "uid": "r" * 32, "specimen_id": 1, "scan_id": 1, "number": 1, "settings": "{}",
             "code_version": "0.0.9", "seconds": 2.5, "peak_mb": 100.0, "heeded": "[]", "folder_sha256": "8" * 64,
             "labels_sha256": "9" * 64, "at": AT},
        ],
        "decision": [
            {"id": 1, "specimen_id": 1, "number": 1, "kind": "agree", "who": "A. Reader", "at": AT, "why": "clear",
             "scan_key": "5" * 64, "reading_number": 1, "anchors": "[]", "said": json.dumps(dict(decision.said)),
             "target": None, "digest": digest_of(decision, "0" * 64)},
        ],
    }  # fmt: skip
    with catalogue.engine.connect().execution_options(writing=True) as connection, connection.begin():
        for table, values in rows.items():
            for row in values:
                names = ", ".join(row)
                places = ", ".join(f":{name}" for name in row)
                connection.execute(sa.text(f'INSERT INTO "{table}" ({names}) VALUES ({places})'), row)


def test_first_schema_comes_to_the_current_one_with_data_kept(url: str, tmp_path: Path) -> None:
    old = Catalogue(url)
    first_schema(old)
    old.close()
    catalogue = Catalogue(url)
    catalogue.prepare(keep=tmp_path)
    with catalogue.engine.connect() as connection:
        assert current_revision(connection) == "0002"
        assert compare_metadata(MigrationContext.configure(connection), Base.metadata) == []
    from ossicle.collection import specimens

    page = specimens.listed(catalogue, "fictus juvenile nowhere")
    assert [(s.catalog_number, s.version, s.scans, s.readings, s.decisions) for s in page.items] == [
        ("OTC 1", 4, 1, 1, 1)
    ]
    exact = specimens.exact_terms(catalogue, "OTC 1")
    assert (exact["decimalLatitude"], exact["decimalLongitude"]) == (-12.34567, 45.1)
    assert (exact["coordinateUncertaintyInMeters"], exact["locality"]) == (30, "by the old mill")
    assert exact["country"] == "Nowhere"
    assert specimens.get(catalogue, "OTC 2").human_remains
    with catalogue.reading() as session:
        decisions = load_decisions(session, 1)
    assert [(d.number, d.who, d.said["finding"]) for d in decisions] == [(1, "A. Reader", "formula/counts")]
    assert broken_at(decisions) is None
    if catalogue.is_sqlite:
        assert (tmp_path / "catalogue.before-0002.sqlite").is_file()


def test_append_only_tables_refuse_to_change(url: str) -> None:
    catalogue = Catalogue(url)
    first_schema(catalogue)
    catalogue.prepare()
    for statement in ("UPDATE decision SET who = 'B'", "DELETE FROM decision", "UPDATE reading SET number = 2"):
        with pytest.raises(DBAPIError, match="append-only"), catalogue.engine.begin() as connection:
            connection.execute(sa.text(statement))


def test_a_catalogue_of_a_later_version_is_refused(tmp_path: Path) -> None:
    Collection.create(tmp_path / "c").close()
    with Catalogue(f"sqlite:///{tmp_path / 'c' / 'catalogue.sqlite'}").engine.begin() as connection:
        connection.execute(sa.text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(OssicleError, match="use a later version of Ossicle"):
        Collection.open(tmp_path / "c")


# -- several writers


def two_at_once(context: ForkServerContext, target: object, url: str, count: int) -> None:
    start = context.Barrier(2)
    both = [context.Process(target=target, args=(url, who, count, start)) for who in ("A. Reader", "B. Reader")]  # type: ignore[arg-type]
    for one in both:
        one.start()
    for one in both:
        one.join(300)
        assert one.exitcode == 0


@pytest.fixture
def shared(url: str) -> Catalogue:
    from ossicle.collection import specimens
    from ossicle.collection.terms import specimen_data

    catalogue = Catalogue(url)
    catalogue.prepare()
    with catalogue.writing() as session:
        specimens.add(session, specimen_data({"catalogNumber": "OTC 1", "occurrenceRemarks": "0"}), "A. Reader")
    return catalogue


def test_two_writers_lose_no_decision_of_a_thousand(url: str, shared: Catalogue, forked: ForkServerContext) -> None:
    two_at_once(forked, decide_often, url, 500)
    with shared.reading() as session:
        decisions = load_decisions(session, 1)
    assert [d.number for d in decisions] == list(range(1, 1001))
    for who in ("A. Reader", "B. Reader"):
        assert [d.said["value"] for d in decisions if d.who == who] == list(range(500))
    assert broken_at(decisions) is None
    # They were at it at once, else this shows nothing.
    turns = sum(a.who != b.who for a, b in pairwise(decisions))
    assert turns >= 20


def test_two_writers_lose_no_change_of_catalogue_data(url: str, shared: Catalogue, forked: ForkServerContext) -> None:
    from ossicle.collection import specimens

    two_at_once(forked, count_up, url, 50)
    assert specimens.get(shared, "OTC 1").terms["occurrenceRemarks"] == "100"
    changes = specimens.changes(shared, "OTC 1")
    assert [c.fields["occurrenceRemarks"] for c in changes] == [(str(n), str(n + 1)) for n in range(100)]


# -- one collection


@pytest.fixture
def cabinet(tmp_path: Path) -> Collection:
    return Collection.create(tmp_path / "cabinet")


def test_a_conflict_is_shown_and_nothing_overwritten(cabinet: Collection) -> None:
    seen = cabinet.add_specimen({"catalogNumber": "OTC 1", "sex": "male"})
    cabinet.describe("OTC 1", {"sex": "female"}, who="B. Reader", version=seen.version)
    with pytest.raises(Conflict, match=r"changed by B\. Reader \(sex\) since you looked"):
        cabinet.describe("OTC 1", {"sex": "male"}, who="A. Reader", version=seen.version)
    assert cabinet.specimen("OTC 1").sex == "female"


def test_a_changed_history_is_found(cabinet: Collection) -> None:
    cabinet.add_specimen({"catalogNumber": "OTC 1"})
    for n in range(3):
        said = Decision(0, "agree", "A. Reader", AT, said={"finding": "f", "value": n})
        append(cabinet.catalogue, "OTC 1", lambda earlier, said=said: said)
    assert cabinet.check().sound
    with cabinet.catalogue.engine.connect().execution_options(writing=True) as connection, connection.begin():
        connection.execute(sa.text("DROP TRIGGER decision_no_update"))
        connection.execute(sa.text('UPDATE decision SET said = \'{"finding": "f", "value": 7}\' WHERE number = 2'))
    assert [f.what for f in cabinet.check().faults] == ["decision 2 is not as it was kept, or one before it is missing"]


@pytest.mark.parametrize(
    ("said", "sentence"),
    [
        ({"scientificName": "Fictus"}, "no catalogue number"),
        ({"catalogNumber": "x", "decimalLatitude": "91", "decimalLongitude": "0"}, "no latitude"),
        ({"catalogNumber": "x", "decimalLatitude": "9"}, "only one of latitude and longitude"),
        ({"catalogNumber": "x", "decimalLatitude": "north"}, "decimalLatitude: 'north' is no number"),
        ({"catalogNumber": "x", "sensitivityCategory": "2"}, "needs a reason and a date of review"),
        ({"catalogNumber": "x", "sensitivityReviewDate": "soon"}, "'soon' is no date"),
        ({"catalogNumber": "x", "humanRemains": "perhaps"}, "neither yes nor no"),
        ({"catalogNumber": "x", "shoeSize": "43"}, "no term that is taken"),
    ],
)
def test_catalogue_data_that_cannot_be_are_refused(cabinet: Collection, said: dict[str, str], sentence: str) -> None:
    with pytest.raises(OssicleError, match=sentence):
        cabinet.add_specimen(said)
    assert cabinet.specimens().total == 0


def test_pages_and_search(cabinet: Collection) -> None:
    for n in range(25):
        cabinet.add_specimen({"catalogNumber": f"OTC {n:03}", "lifeStage": "adult" if n % 5 else "juvenile_100%"})
    page = cabinet.specimens(page=3, per_page=10)
    assert (page.items[0].catalog_number, len(page.items), page.pages, page.total) == ("OTC 020", 5, 3, 25)
    assert cabinet.specimens("JUVENILE otc").total == 5
    assert cabinet.specimens("juvenile_100%").total == 5
    assert cabinet.specimens("juvenile%").total == 0
    assert cabinet.specimens("e_e").total == 0
    with pytest.raises(OssicleError, match="count from 1"):
        cabinet.specimens(page=0)


def test_catalogue_in_postgresql(tmp_path: Path, empty_postgres: str) -> None:
    with Collection.create(tmp_path / "a", catalogue=empty_postgres) as made:
        made.add_specimen({"catalogNumber": "OTC 1"})
    with Collection.open(tmp_path / "a") as opened:
        assert opened.specimen("otc 1").catalog_number == "OTC 1"
        assert not (tmp_path / "a" / "catalogue.sqlite").exists()
    with pytest.raises(OssicleError, match="catalogue of another collection"):
        Collection.create(tmp_path / "b", catalogue=empty_postgres)


def test_an_unreachable_catalogue_is_one_sentence(tmp_path: Path) -> None:
    pytest.importorskip("psycopg")
    with pytest.raises(OssicleError, match="the catalogue cannot be used"):
        Collection.create(tmp_path / "a", catalogue=f"postgresql://nobody@/none?host={tmp_path}")
    with pytest.raises(OssicleError, match="a catalogue cannot lie in mysql"):
        Collection.create(tmp_path / "b", catalogue="mysql://x/y")


@pytest.mark.parametrize(
    ("number", "terms", "says"),
    [
        ("OTC \ud800", {}, "half a character"),
        ("OTC 1", {"remarks": "\udfff"}, "half a character"),
        ("OTC 1", {"decimalLatitude": float("nan")}, "not finite"),
        ("OTC \x00", {}, "NUL"),
    ],
)
def test_what_no_catalogue_can_keep_is_told_in_a_sentence(
    url: str, number: str, terms: dict[str, object], says: str
) -> None:
    """Half a character has no UTF-8 (RFC 3629, section 3), JSON has no NaN (RFC 8259, section 6); texts of PostgreSQL
    hold no NUL ("Character Types" in its handbook), those of SQLite do."""
    catalogue = Catalogue(url)
    catalogue.prepare()
    taken = says == "NUL" and catalogue.is_sqlite
    with nullcontext() if taken else pytest.raises(OssicleError, match=says), catalogue.writing() as session:
        session.add(SpecimenRow(catalog_number=number, terms=terms, created=AT, changed=AT))
    with catalogue.reading() as session:
        assert session.scalar(sa.select(sa.func.count()).select_from(SpecimenRow)) == int(taken)
    catalogue.close()
