"""Scores of one reading against known truth: pure functions on label volumes and tables.

A true tooth counts as found when a predicted part is assigned to it (one to one, largest total Dice) with a
Dice of at least ``MIN_DICE``. Teeth of fewer than ``MIN_VOXELS`` voxels in the truth are left out: neither
missing them nor finding them changes a score.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

MIN_DICE = 0.4
MIN_VOXELS = 20
ENAMEL = 4

Labels = NDArray[np.integer[Any]]
Tooth = Mapping[str, Any]


@dataclass(frozen=True)
class Overlap:
    """Voxel counts shared by true parts (rows) and predicted parts (columns)."""

    true_ids: tuple[int, ...]
    pred_ids: tuple[int, ...]
    shared: NDArray[np.int64]
    true_size: NDArray[np.int64]
    pred_size: NDArray[np.int64]

    @property
    def dice(self) -> NDArray[np.float64]:
        """Dice of every pair, 2 |A and B| / (|A| + |B|); rows true, columns predicted."""
        total = self.true_size[:, None] + self.pred_size[None, :]
        return np.asarray(2 * self.shared / np.maximum(total, 1), np.float64)


def overlap(true: Labels, pred: Labels, true_ids: Sequence[int], pred_ids: Sequence[int]) -> Overlap:
    """Count shared voxels. Both volumes are z, y, x on one grid.

    Raises
    ------
    ValueError
        If the volumes differ in shape.
    """
    if true.shape != pred.shape:
        raise ValueError(f"the truth is {true.shape}, the reading {pred.shape}: not on one grid")
    rows = _lookup(true_ids, true)
    cols = _lookup(pred_ids, pred)
    r = rows[np.asarray(true, np.int64)].ravel()
    c = cols[np.asarray(pred, np.int64)].ravel()
    n, m = len(true_ids) + 1, len(pred_ids) + 1
    table = np.bincount(r * m + c, minlength=n * m).reshape(n, m)
    return Overlap(
        tuple(map(int, true_ids)),
        tuple(map(int, pred_ids)),
        table[1:, 1:],
        table[1:].sum(axis=1),
        table[:, 1:].sum(axis=0),
    )


def _lookup(ids: Sequence[int], volume: Labels) -> NDArray[np.int64]:
    top = max([int(volume.max(initial=0)), *map(int, ids)])
    out = np.zeros(top + 1, np.int64)
    for k, i in enumerate(ids):
        out[int(i)] = k + 1
    return out


def match(o: Overlap, min_dice: float = MIN_DICE) -> dict[int, tuple[int, float]]:
    """Assign predicted to true parts one to one; returns true id -> (predicted id, Dice)."""
    if not o.true_ids or not o.pred_ids:
        return {}
    dice = np.where(o.dice >= min_dice, o.dice, 0.0)
    rows, cols = linear_sum_assignment(-dice)
    return {
        o.true_ids[r]: (o.pred_ids[c], float(dice[r, c]))
        for r, c in zip(rows, cols, strict=True)
        if dice[r, c] >= min_dice
    }


@dataclass
class ToothResult:
    """What happened to one true tooth."""

    label: int
    name: str
    jaw: str
    side: str
    emergence: str
    generation: str
    voxels: int
    part: int | None
    dice: float
    enamel_inside: float | None = None
    enamel_dice: float | None = None
    enamel_volume_error: float | None = None
    locus_right: bool = False
    class_right: bool = False
    generation_right: bool = False
    emergence_right: bool = False
    fraction_error: float | None = None
    length_error_mm: float | None = None
    width_error_mm: float | None = None
    length_mm: float | None = None
    width_mm: float | None = None
    said: str | None = None
    confidence: float | None = None
    remark: str = ""


@dataclass
class SpecimenScore:
    """All scores of one specimen. Counts, so that specimens can be pooled."""

    true_teeth: int
    found: int
    predicted: int
    false_teeth: int
    locus_right: int
    generation_right: int
    emergence_right: int
    pairs_true: int
    pairs_right: int
    pairs_false: int
    formula_right: bool
    quadrants_right: int
    pose_error_deg: float | None
    sides_swapped: bool | None
    voxel_mm: float
    teeth: list[ToothResult] = field(default_factory=list)
    invented: list[dict[str, Any]] = field(default_factory=list)
    reliability: list[tuple[float, bool]] = field(default_factory=list)
    enamel_dice: float | None = None

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        return asdict(self)


def same_locus(a: Tooth, b: Tooth) -> bool:
    """Same jaw, side, class and position."""
    return all(a.get(k) == b.get(k) for k in ("jaw", "side", "class", "position"))


def true_pairs(teeth: Sequence[Tooth]) -> set[tuple[int, int]]:
    """(deciduous label, successor label) pairs stated in a truth table."""
    return {(int(t["label"]), int(t["replaced_by"])) for t in teeth if t.get("replaced_by") is not None}


def said_pairs(teeth: Sequence[Tooth]) -> set[tuple[int, int]]:
    """(deciduous part, successor part) pairs stated in an account, from either end."""
    pairs = {(int(t["part"]), int(t["replaced_by"])) for t in teeth if t.get("replaced_by") is not None}
    return pairs | {(int(t["replaces"]), int(t["part"])) for t in teeth if t.get("replaces") is not None}


def pose_error(true: Any, said: Any) -> tuple[float, bool]:
    """Angle in degrees between two skull frames (4x4), and whether left and right are swapped."""
    a = np.asarray(true, float)[:3, :3]
    b = np.asarray(said, float)[:3, :3]
    a = a / np.linalg.norm(a, axis=1, keepdims=True)
    b = b / np.linalg.norm(b, axis=1, keepdims=True)
    cosine = (np.trace(a @ b.T) - 1) / 2
    return float(np.degrees(np.arccos(np.clip(cosine, -1, 1)))), bool(a[0] @ b[0] < 0)


def shown_loci(teeth: Sequence[Tooth]) -> dict[str, dict[str, int]]:
    """Loci with an erupted or erupting tooth, by quadrant and class.

    A deciduous tooth and its successor are one locus. Formulas are compared in this form, so that it does not
    matter how a formula record counts mixed dentitions.
    """
    loci: dict[str, set[tuple[str, int]]] = {f"{j}_{s}": set() for j in ("upper", "lower") for s in ("left", "right")}
    for t in teeth:
        if t.get("emergence") != "in_crypt" and f"{t.get('jaw')}_{t.get('side')}" in loci:
            loci[f"{t['jaw']}_{t['side']}"].add((str(t.get("class")), int(t.get("position") or 0)))
    return {q: dict(Counter(c for c, _ in sorted(seen))) for q, seen in loci.items()}


def score(
    truth: Mapping[str, Any],
    account: Mapping[str, Any] | None,
    true_labels: Labels,
    pred_labels: Labels,
    true_tissue: Labels | None = None,
    pred_enamel: NDArray[np.bool_] | None = None,
    min_dice: float = MIN_DICE,
) -> SpecimenScore:
    """Score a reading. Without an account every label of ``pred_labels`` is a tooth and nothing is named.

    ``true_tissue`` uses 4 for enamel; ``pred_enamel`` is an optional mask. Volumes are z, y, x.
    """
    teeth: list[Tooth] = list(truth["teeth"])
    said: dict[int, Tooth] = {int(t["part"]): t for t in account["teeth"]} if account is not None else {}
    pred_ids = sorted(said) if account is not None else [int(i) for i in np.unique(pred_labels) if i > 0]
    o = overlap(true_labels, pred_labels, [int(t["label"]) for t in teeth], pred_ids)
    size = dict(zip(o.true_ids, o.true_size.tolist(), strict=True))
    found = match(o, min_dice)
    tiny = {i for i in o.true_ids if size[i] < MIN_VOXELS}
    excused = {found[i][0] for i in tiny if i in found} | _touch_tiny(o, tiny)
    counted = [t for t in teeth if int(t["label"]) not in tiny]
    spacing = float(np.mean(truth["scan"]["spacing_mm_zyx"]))
    enamel = _enamel_inside(true_labels, pred_labels, true_tissue, found) if true_tissue is not None else {}
    results = [_tooth(t, said, found, size, enamel) for t in counted]
    if true_tissue is not None and pred_enamel is not None:
        each = _enamel_dice(true_labels, pred_labels, true_tissue, pred_enamel, found)
        for r in results:
            r.enamel_dice = each.get(r.label)
    used = {part for _, (part, _) in found.items()}
    owner = {part: label for label, (part, _) in found.items()}
    invented = [_invented(o, p, said) for p in pred_ids if p not in used and p not in excused]
    _explain_missing(results, o, owner)
    kept = {r.label for r in results}
    pairs = {p for p in true_pairs(teeth) if p[0] in kept and p[1] in kept}
    claims = {(owner.get(a, -a), owner.get(b, -b)) for a, b in said_pairs(list(said.values()))}
    claims = {c for c in claims if not (set(c) & tiny)}
    angle, swapped = (None, None)
    if account is not None and (account.get("pose") or {}).get("scan_to_skull") is not None:
        angle, swapped = pose_error(truth["pose"]["scan_to_skull"], account["pose"]["scan_to_skull"])
    q_true, q_said = shown_loci(teeth), shown_loci(list(said.values()))
    right = sum(q_true[q] == q_said[q] for q in q_true) if account is not None else 0
    matched = [r for r in results if r.part is not None]
    dice = None
    if true_tissue is not None and pred_enamel is not None:
        e = (true_tissue == ENAMEL) & np.isin(true_labels, list(kept))
        dice = float(2 * (e & pred_enamel).sum() / max(int(e.sum() + pred_enamel.sum()), 1))
    return SpecimenScore(
        len(results),
        len(matched),
        len(pred_ids) - len(excused),
        len(invented),
        sum(r.locus_right for r in results),
        sum(r.generation_right for r in results),
        sum(r.emergence_right for r in results),
        len(pairs),
        len(claims & pairs),
        len(claims - pairs),
        right == 4,
        right,
        angle,
        swapped,
        spacing,
        results,
        invented,
        _reliability(results, invented),
        dice,
    )


def _touch_tiny(o: Overlap, tiny: set[int]) -> set[int]:
    """Predicted parts that lie mostly on teeth too small to count."""
    if not tiny or not o.pred_ids:
        return set()
    rows = [k for k, i in enumerate(o.true_ids) if i in tiny]
    share = o.shared[rows].sum(axis=0) / np.maximum(o.pred_size, 1)
    return {o.pred_ids[k] for k in np.flatnonzero(share > 0.3)}


def _enamel_inside(
    true: Labels, pred: Labels, tissue: Labels, found: Mapping[int, tuple[int, float]]
) -> dict[int, float]:
    """Share of each found tooth's enamel that lies within its predicted part."""
    mask = tissue == ENAMEL
    t, p = true[mask].astype(np.int64), pred[mask].astype(np.int64)
    out = {}
    for label, (part, _) in found.items():
        own = t == label
        if own.any():
            out[label] = float((p[own] == part).mean())
    return out


def _enamel_dice(
    true: Labels,
    pred: Labels,
    tissue: Labels,
    said: NDArray[np.bool_],
    found: Mapping[int, tuple[int, float]],
) -> dict[int, float]:
    """Dice of each found tooth's enamel and the enamel said to be in its part; none where the truth holds none."""
    e, p = true[tissue == ENAMEL].astype(np.int64), pred[said].astype(np.int64)
    both = (tissue == ENAMEL) & said
    t, q = true[both].astype(np.int64), pred[both].astype(np.int64)
    out = {}
    for label, (part, _) in found.items():
        own = int((e == label).sum())
        if own:
            out[label] = float(2 * ((t == label) & (q == part)).sum() / (own + int((p == part).sum())))
    return out


def _tooth(
    t: Tooth,
    said: Mapping[int, Tooth],
    found: Mapping[int, tuple[int, float]],
    size: Mapping[int, int],
    enamel: Mapping[int, float],
) -> ToothResult:
    label = int(t["label"])
    part, dice = found.get(label, (None, 0.0))
    r = ToothResult(
        label,
        str(t["name"]),
        str(t["jaw"]),
        str(t["side"]),
        str(t["emergence"]),
        str(t["generation"]),
        int(size[label]),
        part,
        dice,
        enamel.get(label),
    )
    s = said.get(part) if part is not None else None
    if s is None:
        return r
    r.said = str(s.get("name"))
    r.confidence = float(s["confidence"]) if s.get("confidence") is not None else None
    r.class_right = all(s.get(k) == t.get(k) for k in ("jaw", "class"))
    r.locus_right = same_locus(s, t)
    r.generation_right = s.get("generation") == t.get("generation")
    r.emergence_right = s.get("emergence") == t.get("emergence")
    r.fraction_error = _difference(s, t, "emergence_fraction")
    error = _difference(s, t, "enamel_volume_mm3")
    if error is not None and t["enamel_volume_mm3"] > 0:
        r.enamel_volume_error = error / float(t["enamel_volume_mm3"])
    r.length_mm, r.width_mm = t.get("length_mm"), t.get("width_mm")
    if t.get("complete", True) and t.get("crown_formed", 1.0) >= 1.0:
        r.length_error_mm = _difference(s, t, "length_mm")
        r.width_error_mm = _difference(s, t, "width_mm")
    wrong = [
        w
        for w, ok in (
            ("locus", r.locus_right),
            ("generation", r.generation_right),
            ("emergence", r.emergence_right),
        )
        if not ok
    ]
    if wrong:
        called = f"{s.get('jaw')} {s.get('side')} {s.get('name')} ({s.get('emergence')})"
        r.remark = f"called {called}: wrong {', '.join(wrong)}"
    return r


def _difference(s: Tooth, t: Tooth, key: str) -> float | None:
    return float(s[key]) - float(t[key]) if s.get(key) is not None and t.get(key) is not None else None


def _invented(o: Overlap, part: int, said: Mapping[int, Tooth]) -> dict[str, Any]:
    k = o.pred_ids.index(part)
    best = int(np.argmax(o.shared[:, k])) if o.true_ids else -1
    on = o.true_ids[best] if best >= 0 and o.shared[best, k] > 0 else None
    s = said.get(part, {})
    return {
        "part": part,
        "name": s.get("name"),
        "voxels": int(o.pred_size[k]),
        "on_true_label": on,
        "share_on_it": float(o.shared[best, k] / max(int(o.pred_size[k]), 1)) if on is not None else 0.0,
        "confidence": s.get("confidence"),
    }


def _explain_missing(results: Sequence[ToothResult], o: Overlap, owner: Mapping[int, int]) -> None:
    for r in results:
        if r.part is not None:
            continue
        row = o.true_ids.index(r.label)
        k = int(np.argmax(o.shared[row])) if o.pred_ids else -1
        share = float(o.shared[row, k] / max(int(o.true_size[row]), 1)) if k >= 0 else 0.0
        if share < 0.1:
            r.remark = "missed"
        elif o.pred_ids[k] in owner:
            part = o.pred_ids[k]
            r.remark = f"merged into part {part} (tooth {owner[part]}), which holds {share:.0%} of it"
        else:
            r.remark = f"part {o.pred_ids[k]} holds {share:.0%} of it but fits too poorly"


def _reliability(results: Sequence[ToothResult], invented: Sequence[Mapping[str, Any]]) -> list[tuple[float, bool]]:
    """Stated confidence and whether the tooth is real and its locus and generation are right."""
    out = [(r.confidence, r.locus_right and r.generation_right) for r in results if r.confidence is not None]
    return out + [(float(i["confidence"]), False) for i in invented if i.get("confidence") is not None]
