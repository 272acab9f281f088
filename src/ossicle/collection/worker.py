"""A process that does one job: ``python -m ossicle.collection.worker FOLDER JOB``."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from .catalogue import Catalogue
    from .files import Layout

__all__ = ["held_for", "main"]


def held_for(folder: Path, job: int) -> tuple[Catalogue, Layout]:
    """Return catalogue and folders of a collection, this process being set to a job's threads."""
    from .catalogue import Catalogue
    from .files import Layout
    from .jobs import get
    from .place import catalogue_url

    layout = Layout(folder)
    catalogue = Catalogue(os.environ.get("OSSICLE_CATALOGUE") or catalogue_url(layout))
    threads = str(get(catalogue, job).settings.get("threads", 2))
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS"):
        os.environ.setdefault(name, threads)
    return catalogue, layout


def main() -> int:
    """Do the job; how it went stands in the catalogue."""
    folder, job = Path(sys.argv[1]), int(sys.argv[2])
    from .jobs import work_on

    catalogue, layout = held_for(folder, job)
    work_on(catalogue, layout, job)
    return 0


if __name__ == "__main__":
    sys.exit(main())
