"""What comparative anatomy knows, as data with sources: formulas, loci, dentitions, terms, stages.

Nothing here looks at a scan, and nothing of ours is imported but the errors.
"""

from ossicle.anatomy.dentitions import dentition, load_dentitions
from ossicle.anatomy.eruption import EruptionOrder, ExpectedTooth, Phase, eruption_order, expected_state
from ossicle.anatomy.formula import Counts, Formula
from ossicle.anatomy.iso3950 import from_iso3950, iso3950_successor, to_iso3950
from ossicle.anatomy.loci import Locus, ToothName
from ossicle.anatomy.locus_list import LocusList
from ossicle.anatomy.measurements import MeasurementDefinition, load_measurements, measurement
from ossicle.anatomy.mixed import MixedDentition, MixedLocus, mixed_dentition, stage_span
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
from ossicle.anatomy.proportions import SizePrior, cascade_share, cascade_third_molar, size_prior
from ossicle.anatomy.schemes import NamingScheme, counted_scheme, load_schemes, scheme
from ossicle.anatomy.stages import STAGES, GrowthStage, PublishedClass, Stage, growth_stage, published_classes
from ossicle.anatomy.templates import Clade, Dentition, Mark, TemplateTooth
from ossicle.anatomy.terms import Term, load_terms, term
from ossicle.anatomy.unknown import (
    Candidate,
    WeightedFormula,
    candidate_dentitions,
    formula_log_prior,
    plausible_formulas,
    template_from_formula,
)

__all__ = [
    "CLASS_LETTERS",
    "GENERATIONS",
    "JAWS",
    "SIDES",
    "STAGES",
    "TOOTH_CLASSES",
    "Candidate",
    "Clade",
    "Counts",
    "Dentition",
    "EruptionOrder",
    "ExpectedTooth",
    "Formula",
    "Generation",
    "GrowthStage",
    "Jaw",
    "Locus",
    "LocusList",
    "Mark",
    "MeasurementDefinition",
    "MixedDentition",
    "MixedLocus",
    "NamingScheme",
    "Phase",
    "PublishedClass",
    "Side",
    "SizePrior",
    "Stage",
    "TemplateTooth",
    "Term",
    "ToothClass",
    "ToothName",
    "WeightedFormula",
    "candidate_dentitions",
    "cascade_share",
    "cascade_third_molar",
    "counted_scheme",
    "dentition",
    "eruption_order",
    "expected_state",
    "formula_log_prior",
    "from_iso3950",
    "growth_stage",
    "iso3950_successor",
    "load_dentitions",
    "load_measurements",
    "load_schemes",
    "load_terms",
    "measurement",
    "mixed_dentition",
    "plausible_formulas",
    "published_classes",
    "scheme",
    "size_prior",
    "stage_span",
    "template_from_formula",
    "term",
    "to_iso3950",
]
