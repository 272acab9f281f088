"""What comparative anatomy knows, as data with sources: formulas, loci, dentitions, terms, stages.

Nothing here looks at a scan, and nothing of ours is imported but the errors.
"""

from ossicle.anatomy.dentitions import Clade, Dentition, TemplateTooth, dentition, load_dentitions
from ossicle.anatomy.formula import Counts, Formula
from ossicle.anatomy.loci import Locus, ToothName
from ossicle.anatomy.locus_list import LocusList
from ossicle.anatomy.notation import (
    CLASS_LETTERS,
    GENERATIONS,
    JAWS,
    SIDES,
    TOOTH_CLASSES,
    Generation,
    Jaw,
    Side,
    ToothClass,
)
from ossicle.anatomy.terms import Term, load_terms, term

__all__ = [
    "CLASS_LETTERS",
    "GENERATIONS",
    "JAWS",
    "SIDES",
    "TOOTH_CLASSES",
    "Clade",
    "Counts",
    "Dentition",
    "Formula",
    "Generation",
    "Jaw",
    "Locus",
    "LocusList",
    "Side",
    "TemplateTooth",
    "Term",
    "ToothClass",
    "ToothName",
    "dentition",
    "load_dentitions",
    "load_terms",
    "term",
]
