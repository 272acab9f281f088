"""A sheet of portraits: what each preset looks like, as pictures and one page."""

from __future__ import annotations

import html
import io
from collections.abc import Callable, Sequence
from pathlib import Path

from PIL import Image

from ossicle.practice.files import write_file
from ossicle.practice.making import Preset
from ossicle.practice.portrait import portrait

__all__ = ["write_sheet"]

STYLE = (
    "body{font:16px/1.4 sans-serif;margin:2rem;background:#f6f6f6;color:#222}"
    "main{display:grid;grid-template-columns:repeat(auto-fill,minmax(20rem,1fr));gap:1.5rem}"
    "figure{margin:0}img{max-width:100%}figcaption code{font-weight:bold}"
)


def write_sheet(
    known: Sequence[Preset],
    out: Path,
    *,
    seed: int = 1,
    height: int = 120,
    progress: Callable[[str, float], None] | None = None,
) -> Path:
    """Write a portrait of each preset (PNG) and ``index.html`` with all of them; returns the page.

    Portraits that are there already are kept. Each shows the left side, and the palate with the jaws taken off.

    Raises
    ------
    OssicleError
        If the folder cannot be written.
    """
    say = progress or (lambda _what, _share: None)
    out = Path(out)
    figures = []
    for i, p in enumerate(known):
        say(p.name, i / len(known))
        file = out / f"{p.name}.png"
        if not file.is_file():
            held = io.BytesIO()
            Image.fromarray(portrait(p.name, seed, height)).quantize(96).save(held, "PNG", optimize=True)
            write_file(file, held.getvalue())
        title = html.escape(p.title)
        figures.append(
            f'<figure><img src="{file.name}" alt="{title}: left side, and palate">'
            f"<figcaption><code>{p.name}</code><br>{title}, voxels of {p.voxel_mm:g} mm</figcaption></figure>"
        )
    page = (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><title>Practice specimens</title><style>{STYLE}</style>'
        "<h1>Practice specimens</h1><p>All are invented: no animal like these has lived. Left side, and palate with "
        f"the jaws taken off.</p><main>{''.join(figures)}</main></html>\n"
    )
    write_file(out / "index.html", page.encode())
    say("done", 1.0)
    return out / "index.html"
