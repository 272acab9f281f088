"""A catalogue of 10,000 specimens: how long a page of the list and of a search takes; deciding, replaying, checking.

``python -m benchmarks.collection`` makes a collection with invented catalogue data in a temporary folder and prints
the least, median and greatest of several runs, in milliseconds; the least is what a machine without other work takes.
``--catalogue postgresql://...`` (of an empty database) measures PostgreSQL.
"""

from __future__ import annotations

import argparse
import random
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import sqlalchemy as sa

from ossicle.collection import Collection, Decision
from ossicle.collection.decisions import append
from ossicle.collection.tables import Locality, SpecimenRow

STAGES = ("newborn", "juvenile", "subadult", "adult", "old")
BAR_MS = 200.0
AT = "2031-01-01T00:00:00.000Z"


def fill(cabinet: Collection, count: int) -> None:
    """Write invented catalogue data, in one transaction."""
    rng = random.Random(1)
    rows, places = [], []
    for n in range(count):
        number = f"OTC {n:05}"
        name = f"Fictus {rng.choice(['minor', 'major', 'velox', 'tardus', 'mirus'])}"
        stage, sex = rng.choice(STAGES), rng.choice(["female", "male", ""])
        terms = {
            "country": f"Land {rng.randrange(40)}",
            "recordedBy": f"Collector {rng.randrange(200)}",
            "preparations": rng.choice(["skull", "skull and skin", "skeleton", "fluid"]),
            "eventDate": f"{rng.randrange(1880, 2020)}-{rng.randrange(1, 13):02}",
            "occurrenceRemarks": " ".join(rng.choice(["left", "jaw", "broken", "washed", "loan"]) for _ in range(12)),
        }
        words = " ".join([number, name, sex, stage, *terms.values()]).lower()
        rows.append(
            {"id": n + 1, "catalog_number": number, "scientific_name": name, "sex": sex, "life_stage": stage,
             "terms": terms, "human_remains": False, "consent": "", "remains_provenance": "", "export_allowed": False,
             "words": words, "created": AT, "changed": AT, "version": 1}
        )  # fmt: skip
        places.append(
            {"specimen_id": n + 1, "decimal_latitude": round(rng.uniform(-60, 60), 5),
             "decimal_longitude": round(rng.uniform(-180, 180), 5), "uncertainty_m": 30.0, "locality": "a place",
             "category": 2, "reason": "trade", "review_date": "2031-05-01"}
        )  # fmt: skip
    with cabinet.catalogue.writing() as session:
        session.execute(sa.insert(SpecimenRow), rows)
        session.execute(sa.insert(Locality), places)
    if not cabinet.catalogue.is_sqlite:  # what the server does by itself within a minute of so many new rows
        with cabinet.catalogue.writing() as session:
            session.execute(sa.text("ANALYZE"))


def measured(action: Callable[[], object], runs: int) -> tuple[float, float, float]:
    """Return the least, median and greatest time of an action, ms."""
    times = []
    for _ in range(runs):
        begun = time.perf_counter()
        action()
        times.append(1000 * (time.perf_counter() - begun))
    return min(times), statistics.median(times), max(times)


def main() -> None:
    """Parse the command line and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--specimens", type=int, default=10_000)
    parser.add_argument("--runs", type=int, default=15)
    parser.add_argument("--catalogue", help="postgresql://... of an empty database")
    given = parser.parse_args()
    with (
        tempfile.TemporaryDirectory() as place,
        Collection.create(Path(place) / "cabinet", catalogue=given.catalogue) as cabinet,
    ):
        fill(cabinet, given.specimens)
        last = -(-given.specimens // 50)
        said = Decision(0, "agree", "A. Reader", AT, said={"finding": "f", "value": 1})
        actions: dict[str, Callable[[], object]] = {
            "list, first page": lambda: cabinet.specimens(),
            "list, last page": lambda: cabinet.specimens(page=last),
            "search, one word, a fifth of all": lambda: cabinet.specimens("juvenile"),
            "search, three words": lambda: cabinet.specimens("velox adult broken"),
            "search, last page of it": lambda: cabinet.specimens("skull", page=100),
            "search, none found": lambda: cabinet.specimens("nowhere-to-be-found"),
            "one specimen by number": lambda: cabinet.specimen(f"OTC {given.specimens // 2:05}"),
            "keep a decision": lambda: append(cabinet.catalogue, "OTC 00007", lambda earlier: said),
        }
        print(f"{given.specimens} specimens, {given.runs} runs, {'PostgreSQL' if given.catalogue else 'SQLite'}\n")
        print("| what | least ms | median ms | greatest ms | under 200 ms |")
        print("|---|---|---|---|---|")
        for name, action in actions.items():
            least, middle, most = measured(action, given.runs)
            print(
                f"| {name} | {least:.1f} | {middle:.1f} | {most:.1f} | {'yes' if most < BAR_MS else 'no'} |", flush=True
            )


if __name__ == "__main__":
    main()
