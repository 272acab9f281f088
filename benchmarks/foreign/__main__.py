"""``python -m benchmarks.foreign --out DIR --animal placental --stage juvenile --seed 1 --voxel 0.1``."""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from .build import Options, design
from .dentition import ANIMALS, STAGE_AGE
from .paint import paint
from .pose import PARTS, grid
from .scanner import scan
from .write import write


def make(out: Path, o: Options) -> dict[str, object]:
    """Model, scan and write one specimen; returns its truth record."""
    animal = design(o)
    canvas = grid(animal, o)
    facts = paint(animal, o, canvas)
    grey, how = scan(canvas, o)
    return write(out, animal, o, canvas, grey, how, facts)


def main() -> None:
    """Parse the command line and make one specimen."""
    p = argparse.ArgumentParser(prog="python -m benchmarks.foreign", description=__doc__)
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--animal", choices=sorted(ANIMALS), default="placental")
    p.add_argument("--stage", choices=list(STAGE_AGE), default="adult")
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--voxel", type=float, default=0.1, help="mm")
    p.add_argument("--noise", type=float, default=1.0, help="1 = about 7 %% of the bone-air contrast")
    p.add_argument("--tilt", choices=["small", "any"], default="small")
    p.add_argument("--length", type=float, default=0.0, help="adult skull length in mm; 0 draws one")
    p.add_argument("--variant", type=int, default=None, help="which formula of the animal")
    p.add_argument("--part", choices=PARTS, default="whole")
    p.add_argument("--crop", choices=["none", "front", "back", "side"], default="none")
    p.add_argument("--wet", action="store_true")
    p.add_argument("--cupping", type=float, default=0.0, help="0.2 is marked")
    p.add_argument("--rings", type=float, default=0.0, help="1 is marked")
    p.add_argument("--missing", type=int, default=0)
    p.add_argument("--broken", type=int, default=0)
    p.add_argument("--background", default="auto", help="auto, air, foam, tube, tissue, foam+tube")
    p.add_argument("--bits", type=int, choices=[8, 16], default=16)
    p.add_argument("--blur", type=float, default=0.0, help="voxels; 0 draws 0.7 to 1.1")
    v = vars(p.parse_args())
    out = v.pop("out")
    began = time.perf_counter()
    truth = make(out, Options(**v))
    scan_info = truth["scan"]
    assert isinstance(scan_info, dict)
    teeth = truth["teeth"]
    assert isinstance(teeth, list)
    print(f"{out}: {scan_info['shape_zyx']} {len(teeth)} teeth, {time.perf_counter() - began:.1f} s")


if __name__ == "__main__":
    main()
