"""Mixed dentitions: what stands at each locus at a stage of growth, and what waits in the crypt."""

from dataclasses import dataclass

from ossicle.anatomy.eruption import ExpectedTooth, eruption_order, expected_state
from ossicle.anatomy.notation import JAWS, Jaw, shown
from ossicle.anatomy.stages import STAGES, Stage, growth_stage
from ossicle.anatomy.templates import Dentition, TemplateTooth
from ossicle.errors import OssicleError

__all__ = ["MixedDentition", "MixedLocus", "mixed_dentition", "stage_span"]


@dataclass(frozen=True, slots=True)
class MixedLocus:
    """A locus and its two teeth at one moment; one of them is None where there is none by nature."""

    locus: TemplateTooth
    deciduous: ExpectedTooth | None
    adult: ExpectedTooth | None

    @property
    def in_place(self) -> ExpectedTooth | None:
        """The tooth beyond the margin, the adult one before the deciduous one; None where there is none."""
        for tooth in (self.adult, self.deciduous):
            if tooth is not None and tooth.phase in ("erupting", "erupted"):
                return tooth
        return None

    @property
    def successor_in_crypt(self) -> bool:
        """Whether a permanent tooth waits beneath a deciduous one that is in place."""
        return (
            self.deciduous is not None
            and self.deciduous.phase in ("erupting", "erupted")
            and self.adult is not None
            and self.adult.phase == "in_crypt"
        )


@dataclass(frozen=True, slots=True)
class MixedDentition:
    """A dentition at one moment of its growth.

    Parameters
    ----------
    dentition, fraction
        Which dentition, and how much of its order of eruption has passed.
    upper, lower
        The loci, front to back, transient ones among them.
    basis
        Where the order of eruption comes from.
    """

    dentition: Dentition
    fraction: float
    upper: tuple[MixedLocus, ...]
    lower: tuple[MixedLocus, ...]
    basis: str

    def loci(self, jaw: Jaw) -> tuple[MixedLocus, ...]:
        """Return the loci of a jaw, front to back."""
        return self.upper if jaw == "upper" else self.lower

    @property
    def succession_pairs(self) -> tuple[tuple[str, str], ...]:
        """The pairs of a deciduous tooth in place and its successor in the crypt, by name."""
        return tuple(
            (str(locus.deciduous.name), str(locus.adult.name))
            for jaw in JAWS
            for locus in self.loci(jaw)
            if locus.successor_in_crypt and locus.deciduous is not None and locus.adult is not None
        )


def mixed_dentition(dentition: Dentition, stage: Stage | float) -> MixedDentition:
    """Return a dentition at a stage of growth, or at a fraction of its order of eruption.

    A stage is shown at the middle of its span; ``newborn`` just before the first molar or replacing tooth
    begins to come through, so that the deciduous teeth are seen.

    Raises
    ------
    OssicleError
        If the dentition never passes the stage, or the fraction is not between 0 and 1.
    """
    if isinstance(stage, str):
        first, last = stage_span(dentition, stage)
        fraction = _end_of_newborn(dentition) if stage == "newborn" else (first + last) / 2
    else:
        fraction = stage
    teeth = {str(tooth.name): tooth for tooth in expected_state(dentition, fraction)}

    def at(locus: TemplateTooth) -> MixedLocus:
        return MixedLocus(locus, teeth.get(str(locus.deciduous_name)), teeth.get(str(locus.adult_name)))

    rows = {}
    for jaw in JAWS:
        loci = [*dentition.loci(jaw), *(tooth for tooth in dentition.transient if tooth.jaw == jaw)]
        loci.sort(key=lambda tooth: tooth.place)
        rows[jaw] = tuple(at(locus) for locus in loci)
    basis = eruption_order(dentition).basis if teeth else "the dentition has no teeth"
    return MixedDentition(dentition, fraction, rows["upper"], rows["lower"], basis)


def stage_span(dentition: Dentition, stage: Stage) -> tuple[float, float]:
    """Return the fractions of the order of eruption between which a dentition is in a stage.

    A stage can change only as a step begins or ends, so the middle of each step tells. The adult stage
    begins as the last step ends. ``old`` begins and ends where the adult stage ends, since eruption does
    not tell it.

    Raises
    ------
    OssicleError
        If the dentition never passes the stage.
    """
    if stage not in STAGES:
        raise OssicleError(f"no stage is called {shown(str(stage))}", mend=f"say {', '.join(STAGES)}")
    if stage == "old":
        return (1.0, 1.0)
    steps = len(eruption_order(dentition).steps) if dentition.formula.total else 0
    found = [number for number in range(steps) if _stage_at(dentition, (number + 0.5) / steps) == stage]
    if stage == _stage_at(dentition, 1.0):
        return (min(found, default=steps) / steps, 1.0)
    if not found:
        raise OssicleError(f"{dentition.name} passes no {stage} stage that its teeth would show")
    return (found[0] / steps, (found[-1] + 1) / steps)


def _stage_at(dentition: Dentition, fraction: float) -> Stage | None:
    state = expected_state(dentition, fraction)
    return growth_stage(dentition, [tooth.name for tooth in state if tooth.phase == "erupted"]).name


def _end_of_newborn(dentition: Dentition) -> float:
    """Return the fraction at which the first molar or replacing tooth begins to come through."""
    order = eruption_order(dentition)
    late = [
        number for number, group in enumerate(order.steps) if any(tooth.generation == "permanent" for tooth in group)
    ]
    return min(late) / len(order.steps)
