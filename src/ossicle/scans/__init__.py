"""Scans: files in, calibrated volumes out, kept as OME-Zarr and read block by block."""

from ossicle.scans.blocks import Block, apply_blocks, blocks, read_blocks
from ossicle.scans.geometry import Geometry
from ossicle.scans.levels import Level, choose_level, levels
from ossicle.scans.loading import Progress, list_series, load
from ossicle.scans.model import ArrayLike3D, Scan, SeriesInfo, Source
from ossicle.scans.parts import write_parts_nifti
from ossicle.scans.spacing import parse_spacing
from ossicle.scans.store import open_store

__all__ = [
    "ArrayLike3D",
    "Block",
    "Geometry",
    "Level",
    "Progress",
    "Scan",
    "SeriesInfo",
    "Source",
    "apply_blocks",
    "blocks",
    "choose_level",
    "levels",
    "list_series",
    "load",
    "open_store",
    "parse_spacing",
    "read_blocks",
    "write_parts_nifti",
]
