"""Ossicle: reading skulls from CT scans, from a stack of slices to an account others can check."""

__version__: str

__all__ = ["__version__"]


def __getattr__(name: str) -> str:
    """Return the installed version when it is asked for: looking it up would be a tenth of the start of a command."""
    if name != "__version__":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib.metadata import version

    return version("ossicle")
