"""Naming: from isolated teeth to class, locus, generation and succession, jointly for a specimen.

``name_teeth`` is the entry; ``records`` holds what it takes and gives, ``knowledge`` and ``clock`` what it
expects of teeth.
"""

from .naming import name_teeth
from .records import Dropped, NamedTooth, NameHint, Naming, tooth_name

__all__ = ["Dropped", "NameHint", "NamedTooth", "Naming", "name_teeth", "tooth_name"]
