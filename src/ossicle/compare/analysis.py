"""A whole analysis of landmarks, from a table to a text: what `ossicle shape` does."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from ossicle.account.words import join
from ossicle.errors import OssicleError

from .charts import Chart, allometry_chart, components_chart
from .shape import (
    Allometry,
    Components,
    GroupTest,
    Landmarks,
    Symmetry,
    allometry,
    components,
    goodall,
    hotelling,
    mirror_order,
    permuted,
    symmetry,
)

__all__ = ["Analysis", "analyse", "analysis_charts", "analysis_text"]


@dataclass(frozen=True)
class Analysis:
    """What was found. ``dropped`` are landmarks that not all specimens have; parts that could not be done are None,
    with the reason among ``notes``.
    """

    landmarks: Landmarks
    components: Components
    allometry: Allometry | None
    groups: Mapping[str, Sequence[int]]
    tests: tuple[GroupTest, ...]
    symmetry: Symmetry | None
    dropped: tuple[str, ...]
    notes: tuple[str, ...]

    def coordinates(self) -> Landmarks:
        """The Procrustes coordinates (unit centroid size), as a table of landmarks."""
        m = self.landmarks
        return Landmarks(m.specimens, m.names, self.components.laid.coordinates, m.data)

    def to_dict(self) -> dict[str, Any]:
        """Return as JSON values."""
        c, a = self.components, self.allometry
        return {
            "schema": "ossicle-shape/1",
            "specimens": list(self.landmarks.specimens),
            "landmarks": list(self.landmarks.names),
            "dropped": list(self.dropped),
            "centroid_sizes_mm": [round(float(v), 6) for v in c.laid.sizes],
            "variance_shares": [round(float(v), 6) for v in c.shares],
            "scores": [[round(float(v), 8) for v in row] for row in c.scores],
            "allometry": None
            if a is None
            else {"explained": a.explained, "p": a.p, "permutations": a.draws, "seed": a.seed},
            "groups": {k: [self.landmarks.specimens[i] for i in v] for k, v in self.groups.items()},
            "tests": [asdict(t) for t in self.tests],
            "symmetry": None
            if self.symmetry is None
            else [
                {k: None if isinstance(v, float) and not np.isfinite(v) else v for k, v in asdict(e).items()}
                for e in self.symmetry.effects
            ],
            "notes": list(self.notes),
        }


def analyse(
    marks: Landmarks, *, group: str | None = None, symmetric: bool = False, draws: int = 999, seed: int = 1
) -> Analysis:
    """Analyse landmarks: components and allometry of all, tests of two groups, symmetry where asked.

    Rounds of one specimen (rows of a column ``round``) are averaged but for symmetry, which needs them apart.

    Raises
    ------
    OssicleError
        Too few specimens or landmarks, no such column, or not two groups.
    """
    whole = marks.complete()
    dropped = tuple(n for n in marks.names if n not in whole.names)
    single, rounds = _averaged(whole)
    if len(single.specimens) < 3:
        raise OssicleError(
            f"{len(single.specimens)} specimens are too few for shape statistics", mend="give three or more"
        )
    notes = []
    found = components(single.points)
    grown: Allometry | None = None
    try:
        grown = allometry(single.points, draws=draws, seed=seed)
    except OssicleError as error:
        notes.append(f"No allometry: {error.what}.")
    groups = single.groups(group) if group is not None else {}
    tests: list[GroupTest] = []
    if groups:
        if len(groups) != 2:
            raise OssicleError(
                f"the column {group!r} holds {len(groups)} groups", where="--group", mend="test two at a time"
            )
        a, b = (single.points[list(members)] for members in groups.values())
        tests.append(permuted(a, b, draws=draws, seed=seed))
        for test in (goodall, hotelling):
            try:
                tests.append(test(a, b))
            except OssicleError as error:
                notes.append(f"{error.what[0].upper()}{error.what[1:]}.")
    parted = symmetry(rounds, mirror_order(whole.names)) if symmetric else None
    return Analysis(single, found, grown, groups, tuple(tests), parted, dropped, tuple(notes))


def _averaged(marks: Landmarks) -> tuple[Landmarks, np.ndarray[Any, Any]]:
    """Each specimen once, its rounds averaged (they share the frame of one scan), and the rounds apart (r, n, p, k)."""
    order = list(dict.fromkeys(marks.specimens))
    by = {s: [i for i, name in enumerate(marks.specimens) if name == s] for s in order}
    counts = {len(v) for v in by.values()}
    least = min(counts)
    rounds = np.stack([marks.points[[by[s][r] for s in order]] for r in range(least)])
    means = np.stack([marks.points[by[s]].mean(axis=0) for s in order])
    data = {c: tuple(values[by[s][0]] for s in order) for c, values in marks.data.items() if c != "round"}
    return Landmarks(tuple(order), marks.names, means, data), rounds


def analysis_charts(found: Analysis) -> list[Chart]:
    """Return the charts of an analysis."""
    groups = found.groups or None
    charts = [components_chart(found.components, found.landmarks.specimens, groups)]
    if found.allometry is not None:
        charts.append(allometry_chart(found.allometry, found.landmarks.specimens, groups))
    return charts


def analysis_text(found: Analysis) -> str:
    """Return an analysis in words and figures."""
    m, c = found.landmarks, found.components
    dims = m.points.shape[2]
    lines = [f"{len(m.specimens)} specimens, {len(m.names)} landmarks in {dims} dimensions"]
    if found.dropped:
        lines.append(f"  Left out, as not all specimens have them: {join(found.dropped)}.")
    sizes = c.laid.sizes
    lines.append(f"  Centroid size {sizes.mean():.2f} ± {sizes.std(ddof=1):.2f} mm (mean, standard deviation)")
    for name, members in found.groups.items():
        own = sizes[list(members)]
        spread = f" ± {own.std(ddof=1):.2f}" if len(own) > 1 else ""
        lines.append(f"    {name}: {len(own)} specimens, {own.mean():.2f}{spread} mm")
    shares = ", ".join(f"{100 * v:.1f} %" for v in c.shares[:5])
    lines.append(f"  Components of shape, shares of variance: {shares}")
    a = found.allometry
    if a is not None:
        lines.append(
            f"  Allometry: size explains {100 * a.explained:.1f} % of shape variance (p = {a.p:.4f}, permutation)"
        )
    for t in found.tests:
        free = "" if t.freedom is None else f" on ({t.freedom[0]:g}, {t.freedom[1]:g})"
        note = f" ({t.note})" if t.note else ""
        lines.append(f"  {t.name}: {t.statistic:.4g}{free}, p = {t.p:.4g}{note}")
    if found.tests:
        lines.append(f"  Procrustes distance of the mean shapes: {found.tests[0].distance:.4f} radians")
    if found.symmetry is not None:
        lines.append("  Left against right (Procrustes analysis of variance):")
        for e in found.symmetry.effects:
            f = "" if e.f is None or e.p is None else f", F = {e.f:.3f}, p = {e.p:.4g}"
            lines.append(f"    {e.name}: SS {e.squares:.4g}, df {e.freedom}{f}")
        if found.symmetry.rounds < 2:
            lines.append(
                "    One round of landmarks: their error is not known, so fluctuating asymmetry is not tested."
            )
    lines += [f"  {note}" for note in found.notes]
    return "\n".join(lines) + "\n"
