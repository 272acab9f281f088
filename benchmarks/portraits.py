"""Pictures of practice specimens for the documentation, made anew from the generator.

``python -m benchmarks.portraits``    writes docs/practice/*.png
"""

from __future__ import annotations

import argparse
import io
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont
from scipy import ndimage

from ossicle.practice import Made, build, presets
from ossicle.practice.portrait import views
from ossicle.practice.scanner import preset as scanner_preset

from .matrix import root_of_project

GROUND, INK = (246, 246, 246), (40, 40, 40)
SERIES = ("carnivore-like-newborn", "carnivore-like-juvenile", "carnivore-like-adult")
FAULTY = (
    ("carnivore-like-juvenile", ("wet",), "wet"),
    ("metatherian-adult", ("foam", "tube"), "foam and tube"),
    ("carnivore-like-adult", ("pin",), "steel pin"),
    ("carnivore-like-adult", ("detached-dentaries",), "jaws detached"),
)
Picture = Image.Image


def small(picture: Picture, file: Path, colours: int = 128) -> None:
    """Write a palette PNG, whole or not at all."""
    held = io.BytesIO()
    picture.quantize(colours, dither=Image.Dither.NONE).save(held, "PNG", optimize=True)
    file.parent.mkdir(parents=True, exist_ok=True)
    part = file.with_name(f".{file.name}.part")
    part.write_bytes(held.getvalue())
    os.replace(part, file)
    print(f"{file.name}: {picture.width}x{picture.height}, {len(held.getvalue()) / 1000:.0f} kB", flush=True)


def words(picture: Picture, at: tuple[int, int], text: str, colour: tuple[int, int, int] = INK, size: int = 13) -> None:
    """Write on a picture."""
    ImageDraw.Draw(picture).text(at, text, fill=colour, font=ImageFont.load_default(size))


def bar(picture: Picture, mm_per_pixel: float, colour: tuple[int, int, int] = INK) -> None:
    """A scale bar at the lower right, a round number of mm of about a fifth of the width."""
    aim = 0.2 * picture.width * mm_per_pixel
    length = max(v for v in (0.5, 1, 2, 5, 10, 20, 50) if v <= max(aim, 0.5))
    n, y = round(length / mm_per_pixel), picture.height - 8
    x = picture.width - 8 - n
    ImageDraw.Draw(picture).line([(x, y), (x + n, y)], fill=colour, width=2)
    words(picture, (x, y - 18), f"{length:g} mm", colour)


def tile(name: str, height: int, seed: int = 1) -> Picture:
    """Side and palate of a preset, drawn at twice the size and brought down, with its name and a scale bar."""
    side, below, mm = views(name, seed, 2 * height)
    width = max(side.shape[1], below.shape[1])
    out = Image.new("RGB", (width, side.shape[0] + below.shape[0]), GROUND)
    out.paste(Image.fromarray(side), (0, 0))
    out.paste(Image.fromarray(below), (0, side.shape[0]))
    out = out.resize((width // 2, out.height // 2), Image.Resampling.LANCZOS)
    framed = Image.new("RGB", (out.width, out.height + 40), GROUND)
    framed.paste(out, (0, 20))
    words(framed, (6, 3), presets()[name].title.replace("invented ", ""))
    bar(framed, 2 * mm)
    return framed


def grid(tiles: Sequence[Picture], columns: int, gap: int = 10) -> Picture:
    """Tiles in rows, each row as high as its highest."""
    rows = [tiles[i : i + columns] for i in range(0, len(tiles), columns)]
    width = max(max(t.width for t in r[k : k + 1]) for k in range(columns) for r in rows if len(r) > k)
    heights = [max(t.height for t in r) for r in rows]
    out = Image.new("RGB", (columns * width + (columns - 1) * gap, sum(heights) + (len(rows) - 1) * gap), GROUND)
    for i, r in enumerate(rows):
        for k, t in enumerate(r):
            out.paste(t, (k * (width + gap), sum(heights[:i]) + i * gap))
    return out


def series(names: Sequence[str], height: int) -> Picture:
    """Growth stages at one scale: sides above, palates below."""
    shown = [views(n, 1, 2 * height) for n in names]
    coarse = max(mm for *_, mm in shown)
    columns = []
    for name, (side, below, mm) in zip(names, shown, strict=True):
        pair = [Image.fromarray(v) for v in (side, below)]
        share = 0.5 * mm / coarse
        pair = [v.resize((round(v.width * share), round(v.height * share)), Image.Resampling.LANCZOS) for v in pair]
        columns.append((presets()[name].stage, pair))
    tops = max(p[0].height for _, p in columns)
    lows = max(p[1].height for _, p in columns)
    width = sum(p[0].width + 14 for _, p in columns)
    out = Image.new("RGB", (width, 44 + tops + lows), GROUND)
    x = 0
    for stage, (side, below) in columns:
        words(out, (x + 6, 3), stage)
        out.paste(side, (x, 22 + tops - side.height))
        out.paste(below, (x, 22 + tops + (lows - below.height) // 2))
        x += side.width + 14
    bar(out, 2 * coarse)
    return out


def section(
    m: Made, origin: NDArray[np.float64], across: Any, down: Any, size: tuple[float, float], step: float
) -> NDArray[np.float32]:
    """Grey values on a plane of the skull frame, from its upper left corner `origin` on, `size` wide and high (mm)."""
    w, h = (int(s / step) for s in size)
    a, d = np.asarray(across, float), np.asarray(down, float)
    p = origin + step * (np.arange(w)[None, :, None] * a + np.arange(h)[:, None, None] * d)
    inv = np.linalg.inv(np.array(m.truth["pose"]["scan_to_skull"]))
    q = p @ inv[:3, :3].T + inv[:3, 3]
    index = [q[..., 2 - i] / m.spacing_mm_zyx[i] for i in range(3)]
    return np.asarray(ndimage.map_coordinates(m.values.astype(np.float32), index, order=1, mode="nearest"), np.float32)


def shown(grey: NDArray[np.float32], m: Made, top: float = 0.995) -> Picture:
    """A section as a picture: black at air, white at the brightest enamel."""
    low = float(m.sidecar["grey_at_zero_attenuation"])
    high = float(np.quantile(grey, top)) if top < 1 else float(grey.max())
    level = np.clip((grey - low) / max(high - low, 1.0), 0, 1) ** 0.85
    return Image.fromarray((255 * level).astype(np.uint8)).convert("RGB")


def sections(voxel: float, step: float) -> Picture:
    """A juvenile's tooth row along the jaw, and the same head across its molars."""
    m = build("carnivore-like-juvenile", seed=1, voxel_mm=voxel, settings=scanner_preset("clean", voxel), threads=1)
    pose = np.array(m.truth["pose"]["scan_to_skull"])
    skull = {}
    for t in m.truth["teeth"]:
        if t["side"] == "left":
            skull[t["jaw"], t["name"]] = pose[:3, :3] @ np.array(t["centroid_mm_xyz"]) + pose[:3, 3]
    rows = np.array([p for (jaw, name), p in skull.items() if name in ("dP3", "P3", "dP4", "P4") or "M" in name])
    front = np.array([p for (_, name), p in skull.items() if name in ("dC", "C", "dI3")])
    every = np.array(list(skull.values()))
    # an upright plane through the canines and the middle of the cheek teeth
    a, b = front.mean(0), rows.mean(0)
    back = np.array([b[0] - a[0], 0.0, b[2] - a[2]])
    back /= np.linalg.norm(back)
    high, low = every[:, 1].max() + 3.5, every[:, 1].min() - 2.5
    start = a - back * 4.0
    start[1] = high
    long = shown(section(m, start, back, [0, -1, 0], (26.0, high - low), step), m, 0.9985)
    words(long, (6, 4), "along the left rows", (255, 255, 255))
    bar(long, step, (255, 255, 255))
    place = skull["upper", "dP4"]
    wide = 9.0
    across = shown(
        section(m, np.array([wide, high + 3.0, place[2]]), [-1, 0, 0], [0, -1, 0], (2 * wide, high + 3.0 - low), step),
        m,
        0.9985,
    )
    words(across, (6, 4), "across, at dP4", (255, 255, 255))
    bar(across, step, (255, 255, 255))
    out = Image.new("RGB", (long.width + across.width + 8, max(long.height, across.height)), (0, 0, 0))
    out.paste(long, (0, (out.height - long.height) // 2))
    out.paste(across, (long.width + 8, 0))
    return out


def faults(height: int) -> Picture:
    """Projections of the greatest grey, from above, of scans with faults."""
    tiles = []
    for name, wrong, label in FAULTY:
        m = build(name, seed=2, faults=wrong, voxel_mm=0.16, threads=1)
        low = float(m.sidecar["grey_at_zero_attenuation"])
        axis = int(np.argmin(m.values.shape))
        flat = (
            m.values.astype(np.float32).max(axis=axis) if "wet" not in wrong else m.values.astype(np.float32).mean(axis)
        )
        flat = flat if flat.shape[0] <= flat.shape[1] else flat.T
        top = float(np.quantile(flat, 0.995))
        level = np.clip((flat - low) / (top - low), 0, 1) ** 0.7
        picture = Image.fromarray((255 * level).astype(np.uint8)).convert("RGB")
        share = height / picture.height
        picture = picture.resize((round(picture.width * share), height), Image.Resampling.LANCZOS)
        words(picture, (6, 4), label, (255, 255, 255))
        bar(picture, 0.16 / share, (255, 255, 255))
        tiles.append(picture)
    return grid(tiles, 2)


def main(argv: Sequence[str] | None = None) -> int:
    """Command line."""
    p = argparse.ArgumentParser(prog="python -m benchmarks.portraits", description=__doc__.splitlines()[0])
    p.add_argument("--out", type=Path, default=root_of_project() / "docs" / "practice")
    p.add_argument("--only", nargs="+", choices=["animals", "growth", "section", "faults"])
    p.add_argument("--height", type=int, default=120, help="rows of a side view")
    args = p.parse_args(argv)
    wanted = args.only or ["animals", "growth", "section", "faults"]
    if "animals" in wanted:
        names = [n for n in presets() if n.endswith("-adult")]
        for k in (0, 4):
            small(grid([tile(n, args.height) for n in names[k : k + 4]], 2), args.out / f"animals-{k // 4 + 1}.png")
    if "growth" in wanted:
        small(series(SERIES, args.height), args.out / "growth.png")
    if "section" in wanted:
        small(sections(0.07 * 120 / args.height, 0.055 * 120 / args.height), args.out / "section.png", 64)
    if "faults" in wanted:
        small(faults(round(1.6 * args.height)), args.out / "faults.png", 64)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
