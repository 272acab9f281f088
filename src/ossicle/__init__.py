"""Ossicle: reading skulls from CT scans, from a stack of slices to an account others can check."""

from importlib.metadata import version as _version

__version__ = _version("ossicle")

__all__ = ["__version__"]
