"""Pictures of a reading for the documentation: a section as scanned, told apart, and named; and one across the jaws.

``python -m benchmarks.guide_pictures SLICES READING``    writes docs/pictures/how-*.png

SLICES are those of a practice specimen (TIFF without an affine), READING what ``ossicle read --out`` wrote of them.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import nibabel as nib
import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image
from scipy import ndimage

from ossicle.account import Account, load_account

from .matrix import root_of_project
from .portraits import bar, small, words

DECIDUOUS, PERMANENT, BONE, CAVITY = (230, 159, 0), (86, 180, 233), (150, 150, 150), (204, 121, 167)
"""Told apart by colour-blind readers (Okabe & Ito 2008, from memory)."""
STEP_MM = 0.045
Floats = NDArray[np.float64]


def plane(account: Account, origin: Floats, along: Floats, up: Floats, size_mm: tuple[float, float]) -> Floats:
    """Voxel indices (z, y, x) of a plane's pixels, shape (3, height, width); its corner and directions in skull mm."""
    back = np.linalg.inv(np.asarray(account.pose.scan_to_skull, dtype=float))
    h, w = (round(s / STEP_MM) for s in (size_mm[1], size_mm[0]))
    v, u = np.mgrid[h - 1 : -1 : -1, 0:w] * STEP_MM
    points = origin[:, None, None] + along[:, None, None] * u + up[:, None, None] * v
    scan = np.einsum("ij,jhw->ihw", back[:3, :3], points) + back[:3, 3][:, None, None]
    return np.stack([scan[2 - i] / account.scan.spacing_mm_zyx[i] for i in range(3)])


def coloured(account: Account, labels: NDArray[np.int64], greys: NDArray[np.uint8]) -> Image.Image:
    """The section with its parts in colour, their greys shining through."""
    colours = np.zeros((int(labels.max(initial=0)) + 1, 3), float)
    kinds = {p.part: p.kind for p in account.parts}
    teeth = {t.part: t for t in account.teeth}
    for part in np.unique(labels):
        if part == 0:
            continue
        if part in teeth:
            colours[part] = DECIDUOUS if teeth[part].generation == "deciduous" else PERMANENT
        else:
            colours[part] = CAVITY if kinds.get(int(part)) in ("cavity", "opening") else BONE
    shade = (0.45 + 0.55 * greys / 255.0)[..., None]
    rgb = np.where((labels > 0)[..., None], colours[labels] * shade, 0.4 * greys[..., None])
    return Image.fromarray(np.clip(rgb, 0, 255).astype(np.uint8))


def panels(
    slices: NDArray[np.uint16], parts: NDArray[np.int64], account: Account, at: Floats, title: str, named: bool
) -> list[Image.Image]:
    """The plane in greys and in colours."""
    low, high = np.quantile(slices[::4, ::4, ::4], [0.02, 0.9985])
    cut = ndimage.map_coordinates(slices, at, order=1, mode="nearest").astype(float)
    greys = np.clip(255 * (cut - low) / (high - low), 0, 255).astype(np.uint8)
    labels = ndimage.map_coordinates(parts, at, order=0, mode="constant").astype(np.int64)
    plain = Image.fromarray(greys).convert("RGB")
    told = coloured(account, labels, greys)
    for picture, text in ((plain, f"{title}, as scanned"), (told, "told apart and named" if named else "told apart")):
        words(picture, (6, 4), text, (255, 255, 255))
        bar(picture, STEP_MM, (255, 255, 255))
    if named:
        for tooth in account.teeth:
            where = np.argwhere(labels == tooth.part)
            if len(where) * STEP_MM**2 > 0.25:
                y, x = where.mean(axis=0)
                mark = "?" if tooth.confidence < 0.7 else ""
                text = f"{tooth.name}{mark}"
                words(told, (round(x) - 3 * len(text), round(y) - 7), text, (255, 255, 255), 12)
    return [plain, told]


def stacked(pictures: Sequence[Image.Image], across: bool) -> Image.Image:
    """Pictures side by side, or one above another."""
    if across:
        out = Image.new("RGB", (sum(p.width for p in pictures) + 6, max(p.height for p in pictures)), (255, 255, 255))
    else:
        out = Image.new("RGB", (max(p.width for p in pictures), sum(p.height for p in pictures) + 6), (255, 255, 255))
    place = 0
    for p in pictures:
        out.paste(p, (place, 0) if across else (0, place))
        place += (p.width if across else p.height) + 6
    return out


def main() -> None:
    """Write the pictures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("slices", type=Path)
    parser.add_argument("reading", type=Path)
    parser.add_argument("--out", type=Path, default=root_of_project() / "docs" / "pictures")
    asked = parser.parse_args()
    account = load_account(asked.reading)
    slices = np.stack([tifffile.imread(f) for f in sorted(asked.slices.glob("*.tif"))])
    image = nib.load(asked.reading / "parts.nii.gz")
    parts = np.asarray(image.dataobj).transpose(2, 1, 0).astype(np.int64)  # type: ignore[attr-defined]
    pose = np.asarray(account.pose.scan_to_skull, dtype=float)
    middle = {t.part: (pose @ np.array([*t.centroid_mm_xyz, 1.0]))[:3] for t in account.teeth}
    cheek = [t for t in account.teeth if t.side == "left" and t.tooth_class in ("premolar", "molar")]
    x = float(np.median([middle[t.part][0] for t in cheek if t.jaw == "upper"]))
    all_of_them = np.array([middle[t.part] for t in account.teeth])
    (y0, z0), (y1, z1) = all_of_them[:, 1:].min(axis=0) - 3.0, all_of_them[:, 1:].max(axis=0) + 3.0
    # Rostral to the left, as in a view from the left; dorsal up.
    sagittal = plane(account, np.array([x, y0, z1]), np.array([0, 0, -1.0]), np.array([0, 1.0, 0]), (z1 - z0, y1 - y0))
    last = max((t for t in cheek if t.jaw == "upper" and t.name == "dP4"), key=lambda t: t.confidence, default=cheek[0])
    z = float(middle[last.part][2])
    wide = 2 * (float(np.abs(all_of_them[:, 0]).max()) + 2.0)
    # From in front: the animal's left on the right of the picture.
    across = plane(account, np.array([-wide / 2, y0, z]), np.array([1.0, 0, 0]), np.array([0, 1.0, 0]), (wide, y1 - y0))
    title = "along the left upper cheek teeth"
    small(stacked(panels(slices, parts, account, sagittal, title, True), False), asked.out / "how-along.png")
    small(stacked(panels(slices, parts, account, across, "across, at dP4", False), True), asked.out / "how-across.png")


if __name__ == "__main__":
    main()
