"""Weights of one jaw's alignment: what each locus may take, at each dental age, and what that is worth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..records import Generation, ToothClass
from .candidates import Kind
from .clock import deciduous_around, deciduous_stays, development_likelihood, state_chances
from .columns import Column, JawColumns
from .form import features, first_molar_steps, form_ratio
from .knowledge import EXTRA_LAST_RATE, EXTRA_RATE, FALSE_RATE, GAP_MISSING, MISS, STATES, TIMES

__all__ = ["Move", "Weights", "jaw_weights"]

FloatArray = npt.NDArray[np.float64]

ONE_SIDED_TOOTH = 0.25
"""Weight of a tooth seen on one side only, where both sides of the jaw show teeth: more than chance alone
would give, as the detection probability may know of it already."""
ONE_SIDED_CAP = 0.5
"""The same for a crown in its crypt, which is missed more often."""
MIRRORED_FALSE = 0.3
"""Weight of two false objects that mirror each other: bone is symmetrical too, but its fragments rarely
match in place, size and form."""
HINT_AGAINST = 1e-12


@dataclass(frozen=True)
class Move:
    """One way for a locus to take columns: ``line`` and ``under`` say how many of each, ``names`` which
    generation each of them is (line columns first); ``weight`` is (ages, n_line + 1, n_under + 1), indexed
    by the columns already taken."""

    line: int
    under: int
    names: tuple[Generation, ...]
    weight: FloatArray


@dataclass(frozen=True)
class Weights:
    """The moves of each kind of locus, and the weights of columns that belong to no locus."""

    moves: tuple[tuple[Move, ...], ...]
    stray_line: FloatArray
    stray_under: FloatArray
    false_share: FloatArray
    """Per column (line first), the share of a stray's weight that is 'no tooth' as against 'a tooth too
    many'."""


def _log_t(z: FloatArray, df: float = 4.0) -> FloatArray:
    return np.asarray(-(df + 1) / 2 * np.log1p(z * z / df) + np.log(0.375))


def _succession(upper: Sequence[Column], deeper: Sequence[Column], spread: float, crowding: float = 0.0) -> FloatArray:
    """Return (n, m) weights of ``deeper`` being the successor of ``upper``, from place, size and depth.

    The successor is looked for below the crown, and along the tooth's own axis; ``spread`` is in tooth
    lengths. ``crowding`` is how far, as a share of what it would be if both rows began at the midline and stood closed
    up, a row of larger successors is drawn out backwards.
    """
    weight = np.zeros((len(upper), len(deeper)))
    for i, first in enumerate(upper):
        for j, second in enumerate(deeper):
            drawn_out = crowding * float(np.clip(second.length_mm / first.length_mm - 1, 0.0, 0.8)) * first.arc_mm
            span = float(np.hypot(spread * max(first.length_mm, 0.7 * second.length_mm), 0.5 * drawn_out))
            away = second.arc_mm - first.arc_mm - drawn_out
            along = away - first.axis_lean * (second.depth_mm - first.depth_mm)
            place = np.exp(_log_t(np.array([away, along]) / span)).mean() / spread / 0.4
            grown = 0.5 * np.log(second.length_mm * second.width_mm / (first.length_mm * first.width_mm))
            size = float(np.exp(_log_t(np.array((grown - 0.12) / 0.35)))) / 0.375
            below = (first.depth_mm - second.depth_mm) / max(0.3 * first.crown_height_mm, 1e-3)
            later = (first.emergence_fraction - second.emergence_fraction) / 0.1
            deep = 0.05 + 0.95 / (1 + np.exp(-np.clip(below + 0.5 * np.clip(later, -4, 4), -30, 30)))
            weight[i, j] = place * size * deep
    return weight


def _room(line: Sequence[Column]) -> FloatArray:
    """Return (n + 1,) weights of an emerged tooth missing before each line column (and after the last)."""
    room = np.ones(len(line) + 1)
    for i, column in enumerate(line):
        if i == 0:
            free = (column.arc_mm - 0.5 * column.length_mm) / column.length_mm
        else:
            before = line[i - 1]
            mean = 0.5 * (before.length_mm + column.length_mm)
            free = (column.arc_mm - before.arc_mm - mean) / min(before.length_mm, column.length_mm)
        closed, open_ = GAP_MISSING
        room[i] = closed + (open_ - closed) / (1 + np.exp(-(free - 0.45) / 0.1))
        if i == 0:
            room[i] = max(room[i], 0.4)
    return room


BOTH_SIDES = 0.5
DETECTION_LIMIT = 0.95
"""No isolated object is surer to be one whole tooth than this: bone between teeth can look like one."""


BONE_WEIGHT = 0.6
"""Tempering of a faint mineral's word against a tooth: the detection odds have heard it already, and a first cap of a
few voxels is faint by its blur."""


def _bone_like(mineralised: FloatArray) -> FloatArray:
    """Return how much likelier a mineralisation is for 'no tooth' than for a tooth.

    Fragments of bone lie near dentine (0) or a little above; crowns near mature enamel (1), first caps
    between.
    """

    def normal(mean: float, spread: float) -> FloatArray:
        return np.asarray(np.exp(-0.5 * ((np.clip(mineralised, 0, 1.2) - mean) / spread) ** 2) / spread)

    false = 0.6 * normal(0.15, 0.25) + 0.4 * normal(0.6, 0.35)
    tooth = 0.75 * normal(0.95, 0.25) + 0.25 * normal(0.45, 0.35)
    return np.asarray(np.clip(false / tooth, 0.15, 6.0) ** BONE_WEIGHT)


SUCCESSION_SPREAD: Mapping[ToothClass, float] = {
    "incisor": 0.55,
    "canine": 0.55,
    "premolar": 0.35,
    "molar": 0.35,
}
"""How far along the row, in tooth lengths, a successor lies from the tooth it replaces: premolars between
its roots; the larger permanent incisors and canines crowd backwards and inwards."""

CROWDING: Mapping[ToothClass, float] = {"incisor": 0.5, "canine": 0.0, "premolar": 0.0, "molar": 0.0}
"""How far larger permanent incisors crowd backwards: half-way between standing under their own deciduous teeth and
standing shoulder to shoulder from the midline on (anatomy of the closed front row; no source for the share)."""

_COVERED = 3.0
"""Log cost of a successor without its deciduous tooth lying wholly under the tooth of another locus."""


def _overlap(one: Column, other: Column) -> float:
    """Return the share of the shorter column's length along the row that both take."""
    shared = 0.5 * (one.length_mm + other.length_mm) - abs(one.arc_mm - other.arc_mm)
    return float(np.clip(shared / min(one.length_mm, other.length_mm), 0.0, 1.0))


def _between(line: Sequence[Column], under: Sequence[Column]) -> FloatArray:
    """Return (n + 1, m) weights of an under column standing where n line columns lie before it."""
    weight = np.ones((len(line) + 1, len(under)))
    for j, column in enumerate(under):
        covered = max((_overlap(column, other) for other in line), default=0.0)
        for i in range(len(line) + 1):
            low = line[i - 1].arc_mm if i > 0 else -np.inf
            high = line[i].arc_mm if i < len(line) else np.inf
            outside = max(low - column.arc_mm, column.arc_mm - high, 0.0) / column.length_mm
            weight[i, j] = np.exp(-0.5 * min((outside / 0.5) ** 2, 40.0) - _COVERED * covered)
    return weight


LOOK_WEIGHT = 0.6
"""Tempering of what the voxels' look says of generation and class: it knows invented animals only."""
LOOK_FLOOR = 0.05
"""The least chance that the look of a tooth leaves to any generation or class."""
LOOK_USUAL = (0.19, 0.10, 0.28, 0.43)
LOOK_USUAL_DECIDUOUS = 0.21
"""What the network says of a tooth of which it knows nothing: how often each class and the deciduous generation, voxel
by voxel, were among what it learned from."""
_CLASSES: tuple[ToothClass, ...] = ("incisor", "canine", "premolar", "molar")


def _look(kind: Kind, generation: Generation, columns: Sequence[Column]) -> FloatArray:
    """Return (n,) how much likelier than at random each column's look is for a class and, where there are two
    generations, for one of them."""
    out = np.ones(len(columns))
    for c, column in enumerate(columns):
        if column.form is not None:
            chance = column.form[_CLASSES.index(kind.tooth_class)]
            usual = LOOK_USUAL[_CLASSES.index(kind.tooth_class)]
            out[c] *= ((chance + LOOK_FLOOR * usual) / (usual + LOOK_FLOOR * usual)) ** LOOK_WEIGHT
        if column.deciduous is not None and kind.replaced:
            chance = column.deciduous if generation == "deciduous" else 1.0 - column.deciduous
            usual = LOOK_USUAL_DECIDUOUS if generation == "deciduous" else 1.0 - LOOK_USUAL_DECIDUOUS
            out[c] *= ((chance + LOOK_FLOOR) / (usual + LOOK_FLOOR)) ** LOOK_WEIGHT
    return out


def jaw_weights(kinds: Sequence[Kind], jaw: JawColumns) -> Weights:
    """Return the weights of all kinds of locus for the columns of one jaw."""
    columns = jaw.all
    n1, n2, ages = len(jaw.line), len(jaw.under), len(TIMES)
    seen = features(columns, n1, jaw.sides)
    measured = [
        np.array([getattr(c, m) for c in columns]) for m in ("emergence_fraction", "root_fraction", "mineralised")
    ]
    usual = np.array([0.0, 0.15, 0.3, 0.15, 0.15, 0.25])
    states = {resorbs: development_likelihood(*measured, resorbs=resorbs) for resorbs in (False, True)}
    scale = (states[False] @ usual)[:, None]
    states = {resorbs: likelihood / scale for resorbs, likelihood in states.items()}
    tooth = np.ones(len(columns))
    false = np.ones(len(columns))
    detected = np.ones(len(columns))
    for c, column in enumerate(columns):
        d = np.clip([member.detection for member in column.members], 0.02, DETECTION_LIMIT)
        # What misleads the isolation on one side misleads it on the other: two mirror objects count as one.
        sides = len(d) ** BOTH_SIDES
        tooth[c] = float(np.exp(np.log(d).mean() * sides))
        false[c] = float(np.exp(np.log(1 - d).mean() * sides))
        if len(column.members) == 2:
            false[c] *= MIRRORED_FALSE
        if column.hint is not None:
            false[c] = HINT_AGAINST
        detected[c] = tooth[c] * (MIRRORED_FALSE if len(column.members) == 2 else 1.0)
        if len(column.members) == 1 and jaw.sides == 2:
            tooth[c] *= ONE_SIDED_CAP if column.emergence_fraction < 0.05 else ONE_SIDED_TOOTH
    false *= FALSE_RATE * _bone_like(np.array([c.mineralised for c in columns]))
    extra = detected * EXTRA_RATE
    if n1 > 0:
        extra[n1 - 1] = detected[n1 - 1] * EXTRA_LAST_RATE
    stray = false + extra
    both = jaw.sides == 2
    miss = np.array([1.0] + [(MISS[s][0] ** 2 if both else MISS[s][0]) + MISS[s][1] for s in STATES[1:]])
    room = _room(jaw.line)
    after_deciduous, after_permanent = first_molar_steps(seen)
    between = _between(jaw.line, jaw.under)
    line, under = slice(0, n1), slice(n1, n1 + n2)
    # Crowding is reckoned from the midline, which is a guess where only one side is there.
    reaches = {c: (spread, CROWDING[c] if jaw.sides == 2 else 0.0) for c, spread in SUCCESSION_SPREAD.items()}
    pairs = {
        (spread, crowding): (
            _succession(jaw.line, jaw.under, spread, crowding),
            _succession(jaw.under, jaw.line, spread, crowding).T,
            _succession(jaw.line, jaw.line, spread, crowding),
        )
        for spread, crowding in set(reaches.values())
    }

    def emission(kind: Kind, generation: Generation) -> tuple[FloatArray, FloatArray]:
        """Return chances (ages, states) and form times detection, (n,) or (ages, n)."""
        worth = np.exp(np.clip(form_ratio(kind, generation, seen), -12, 6)) * tooth * _look(kind, generation, columns)
        for c, column in enumerate(columns):
            hint = column.hint
            if hint is None:
                continue
            if (
                (hint.tooth_class is not None and hint.tooth_class != kind.tooth_class)
                or (hint.position is not None and hint.position != kind.position)
                or (hint.generation is not None and hint.generation != generation)
            ):
                worth[c] *= HINT_AGAINST
        if kind.tooth_class == "molar" and kind.rank_front == 0:
            young = deciduous_around(kind)[:, None]
            return state_chances(kind, generation), worth * (
                young * np.exp(after_deciduous) + (1 - young) * np.exp(after_permanent)
            )
        return state_chances(kind, generation), worth

    def full(values: FloatArray, di: int, dj: int) -> FloatArray:
        """Pad (ages, n_line + 1 - di, n_under + 1 - dj) weights to (ages, n_line + 1, n_under + 1)."""
        out = np.zeros((ages, n1 + 1, n2 + 1))
        out[:, : n1 + 1 - di, : n2 + 1 - dj] = values
        return out

    def line_only(weight: FloatArray) -> FloatArray:
        return full(np.broadcast_to(weight[:, line, None], (ages, n1, n2 + 1)), 1, 0)

    def under_only(weight: FloatArray) -> FloatArray:
        return full(weight[:, None, under] * between[None], 0, 1)

    def none_of(hidden: FloatArray, visible: FloatArray) -> Move:
        weight = hidden[:, None] + visible[:, None] * room[None, :]
        if jaw.front_cut:
            weight[:, 0] = np.maximum(weight[:, 0], 0.5)
        if jaw.back_cut:
            weight[:, -1] = np.maximum(weight[:, -1], 0.5)
        return Move(0, 0, (), full(np.broadcast_to(weight[:, :, None], (ages, n1 + 1, n2 + 1)), 0, 0))

    def single(kind: Kind) -> tuple[Move, ...]:
        generation = kind.tooth.generations[-1]
        chances, worth = emission(kind, generation)
        weight = (chances @ states[kind.transient].T) * worth
        if kind.transient:
            # The tooth is shed early: by the time the incisors are replaced it is usually gone.
            gone = 1 / (1 + np.exp(-(TIMES[:, 0] - 0.4) / 0.06))
            weight = weight * (1 - 0.97 * gone[:, None])
            hidden = chances[:, :3] @ miss[:3] + gone
            visible = (1 - gone) * 0.3
        else:
            hidden = chances[:, :3] @ miss[:3]
            visible = chances[:, 3:] @ miss[3:]
        return (
            none_of(hidden, visible),
            Move(1, 0, (generation,), line_only(weight)),
            Move(0, 1, (generation,), under_only(weight)),
        )

    def double(kind: Kind) -> tuple[Move, ...]:
        d_chances, d_worth = emission(kind, "deciduous")
        p_chances, p_worth = emission(kind, "permanent")
        stays = deciduous_stays()
        d_seen = d_chances[:, 1:] @ (1 - miss[1:])
        d_weight = (d_chances @ states[True].T) * d_worth
        p_with = (p_chances * stays) @ states[False].T * p_worth
        no_d = 1 - stays[None, :] * d_seen[:, None]
        p_alone = (p_chances * no_d) @ states[False].T * p_worth
        d_alone = d_weight * ((p_chances * stays) @ miss)[:, None]
        absent = p_chances * no_d * miss
        pair_lu, pair_ul, pair_ll = pairs[reaches[kind.tooth_class]]
        together = d_weight[:, line, None] * p_with[:, None, under] * pair_lu
        swapped = p_with[:, line, None] * d_weight[:, None, under] * pair_ul
        moves = [
            none_of(absent[:, :3].sum(axis=1), absent[:, 3:].sum(axis=1)),
            Move(1, 0, ("deciduous",), line_only(d_alone)),
            Move(1, 0, ("permanent",), line_only(p_alone)),
            Move(0, 1, ("permanent",), under_only(p_alone)),
            Move(0, 1, ("deciduous",), under_only(d_alone)),
            Move(1, 1, ("deciduous", "permanent"), full(together, 1, 1)),
            Move(1, 1, ("permanent", "deciduous"), full(swapped, 1, 1)),
        ]
        if n1 >= 2:
            first = np.arange(n1 - 1)
            dp = d_weight[:, : n1 - 1] * p_with[:, 1:n1] * pair_ll[first, first + 1]
            pd = p_with[:, : n1 - 1] * d_weight[:, 1:n1] * pair_ll[first + 1, first]
            for names, weight in ((("deciduous", "permanent"), dp), (("permanent", "deciduous"), pd)):
                wide = np.broadcast_to(weight[:, :, None], (ages, n1 - 1, n2 + 1))
                moves.append(Move(2, 0, names, full(wide, 2, 0)))  # type: ignore[arg-type]
        return tuple(moves)

    return Weights(
        moves=tuple(double(kind) if kind.replaced else single(kind) for kind in kinds),
        stray_line=stray[line],
        stray_under=stray[under],
        false_share=false / stray,
    )
