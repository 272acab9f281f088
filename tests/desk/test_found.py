"""What a reading under way has found, as the page lays it over the picture of the scan."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
from PIL import Image

from ossicle.collection import Collection
from ossicle.collection.glimpses import keep_glimpse
from ossicle.desk.board import Board
from ossicle.reading.clock import FIRST_TOOTH, Glimpse


def test_bones_and_teeth_are_laid_over_the_picture_of_the_scan(desk) -> None:  # type: ignore[no-untyped-def]
    (row,) = [j for j in desk.get("/jobs") if j["kind"] == "reading"]
    missing = desk.web.get(f"/api/jobs/{row['id']}/found.png")
    assert missing.status_code == 404
    assert set(missing.json()) >= {"what", "mend"}
    scan = Image.open(io.BytesIO(desk.web.get(row["picture_url"]).content))
    with Collection.open(desk.folder) as held:
        (job,) = held.jobs()
        z, y, _ = held.scans("OTC 1")[0].shape_zyx
        marks = np.zeros((z, y), np.uint8)
        marks[: z // 2] = 1
        marks[0, 0] = FIRST_TOOTH
        keep_glimpse(held.layout, job.uid, Glimpse(marks, (0, 0), 1, (z, y)))
        board = Board(held, held.layout.root / "drawn")
        assert board._told(job)["found_url"] is None  # it has ended
        under_way = board._told(replace(job, state="running"))["found_url"]
    assert under_way.startswith(f"/api/jobs/{row['id']}/found.png?at=")
    answer = desk.web.get(under_way)
    assert answer.status_code == 200
    assert "immutable" in answer.headers["cache-control"]
    found = Image.open(io.BytesIO(answer.content))
    assert found.mode == "RGBA"
    assert found.size == scan.size
    seen = np.asarray(found)
    bone, tooth = seen[1, 1], seen[0, 0]
    assert (seen[z // 2 + 1 :, :, 3] == 0).all()  # clear where nothing was found
    assert 0 < bone[3] < tooth[3]
    assert abs(bone[:3].astype(int) - tooth[:3]).max() > 20
