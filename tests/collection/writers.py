"""What the two writers of `test_catalogue` do; a module of its own, so that a server of processes can load it once."""

from __future__ import annotations

import random
import time
from multiprocessing.synchronize import Barrier

import sqlalchemy as sa
from unsynced import do_not_wait_for_the_disk

from ossicle.collection import Conflict, Decision, specimens
from ossicle.collection.catalogue import Catalogue
from ossicle.collection.decisions import append

AT = "2031-01-01T00:00:00.000Z"


def _opened(url: str) -> Catalogue:
    do_not_wait_for_the_disk()
    return Catalogue(url)


def decide_often(url: str, who: str, count: int, start: Barrier) -> None:
    """Decide, each time on what was last seen; where another was quicker, look again. Runs in its own process."""
    catalogue = _opened(url)
    seen = 0
    pauses = random.Random(who)
    start.wait(120)
    for n in range(count):
        # So that the other gets a word in: as long as looking again and trying again takes it, or now and then longer.
        time.sleep(pauses.uniform(0, 0.012))
        said = Decision(0, "agree", who, AT, said={"finding": f"f/{n}", "value": n})
        while True:
            try:
                seen = append(catalogue, "OTC 1", lambda earlier, said=said: said, expected=seen).number
                break
            except Conflict:
                with catalogue.reading() as session:
                    query = sa.text("SELECT max(number) FROM decision")
                    seen = session.scalar(query) or 0
    catalogue.close()


def count_up(url: str, who: str, count: int, start: Barrier) -> None:
    """Add one to a number in the catalogue data, each time to what was last seen."""
    catalogue = _opened(url)
    start.wait(120)
    for _ in range(count):
        while True:
            seen = specimens.get(catalogue, "OTC 1")
            number = int(seen.terms["occurrenceRemarks"]) + 1
            try:
                specimens.change(catalogue, "OTC 1", {"occurrenceRemarks": str(number)}, who, seen.version)
                break
            except Conflict:
                continue
    catalogue.close()
