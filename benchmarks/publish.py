"""What handing a specimen on costs: meshes, a plate of twelve panels, a report, a lesson, a turn.

    python -m benchmarks.publish reading/juvenile [--turn]

Seconds of processor are told beside the wall, since walls say little on a shared machine.
"""

from __future__ import annotations

import argparse
import json
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from ossicle.compare import from_folder
from ossicle.publish.film import draw_frames
from ossicle.publish.frames import frames_of_turn
from ossicle.publish.lesson import handout, lesson_page
from ossicle.publish.lesson_text import draft
from ossicle.publish.meshes import meshes_of, print_check
from ossicle.publish.meshfiles import scene_bytes
from ossicle.publish.plate import lay_out, plate_files
from ossicle.publish.plate_text import read_plate
from ossicle.publish.report import report_blocks
from ossicle.publish.sheets import sheet_pdf
from ossicle.publish.stage import STANDARD, stage_of, standard_view


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, help="what `ossicle read --out` wrote")
    parser.add_argument("--only", nargs="*", default=["meshes", "plate", "report", "lesson", "frames"])
    parser.add_argument("--turn", action="store_true", help="draw all 250 frames of a turn of 10 s, by two processes")
    words = parser.parse_args()
    s = from_folder(words.folder)
    out: dict[str, Any] = {"parts": len(s.account.parts), "shape_zyx": list(s.account.scan.shape_zyx)}

    def taken(name: str, work: Callable[[], Any]) -> Any:
        wall, used = time.perf_counter(), _processor()
        made = work()
        out[name] = {
            "processor_s": round(_processor() - used, 2),
            "wall_s": round(time.perf_counter() - wall, 2),
        }
        print(name, out[name], file=sys.stderr, flush=True)
        return made

    if "meshes" in words.only:
        meshes = taken("meshes", lambda: meshes_of(s, [p.part for p in s.account.parts]))
        checks = taken("print check", lambda: [print_check(m, s) for m in meshes])
        out["meshes"] |= {
            "greatest_volume_change_percent": round(max(100 * abs(m.volume_mm3 / m.label_mm3 - 1) for m in meshes), 2),
            "all_watertight": all(c.watertight for c in checks),
            "triangles": sum(len(m.surface.faces) for m in meshes),
            "glb_bytes": len(scene_bytes(s, meshes)),
        }
    stage = taken("surfaces", lambda: stage_of(s))
    if "plate" in words.only:
        panels = [{"view": name, "bone": "veiled" if n % 3 == 2 else "solid"} for n, name in enumerate(STANDARD)]
        text = read_plate({"columns": 3, "dpi": 600, "panel": panels}, "bench")
        laid = taken("plate of 12 panels at 600 dpi", lambda: lay_out(text, {s.name: s}))
        made = taken("its files", lambda: plate_files(laid, ["png", "pdf", "svg"]))
        out["its files"] |= {f"{k}_bytes": len(v) for k, v in made.items()} | {"panels": len(panels)}
    if "report" in words.only:
        blocks = taken("report", lambda: report_blocks(s, stage))
        out["report"]["pdf_bytes"] = len(taken("its pdf", lambda: sheet_pdf("t", blocks, "")))
    if "lesson" in words.only:
        text = draft([s])
        page = taken("lesson", lambda: lesson_page(text, {s.name: stage}))
        out["lesson"] |= {"bytes": len(page.encode()), "steps": len(text.steps)}
        taken("handout", lambda: sheet_pdf("t", handout(text, {s.name: stage}), ""))
    if "frames" in words.only:
        views = frames_of_turn(stage, standard_view("lateral left", s), 10, 25, 1280, 720)
        some = views if words.turn else views[:10]
        with tempfile.TemporaryDirectory() as place:
            taken(
                f"{len(some)} frames of 1280x720",
                lambda: draw_frames({s.name: stage}, some, Path(place), width=1280, height=720, workers=2),
            )
    print(json.dumps(out, indent=1))


def _processor() -> float:
    return sum(
        resource.getrusage(who).ru_utime + resource.getrusage(who).ru_stime
        for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )


if __name__ == "__main__":
    main()
