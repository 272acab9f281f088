"""Where the teeth stand: each tooth row laid out along its curve, successors beneath the teeth that they
replace.

Teeth are placed one after the other until they just clear what is there already; clearances are measured
between models, so no two teeth of a jaw ever overlap.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline

from ossicle.practice.animals import Animal, Generation, Locus
from ossicle.practice.crowns import FORMS
from ossicle.practice.growth import Course, Proportions
from ossicle.practice.shapes import Frame, frame
from ossicle.practice.teeth import Shape, Tooth, clearance, grow_tooth

__all__ = ["RowCurve", "lay_row", "mirrored"]


class RowCurve:
    """The line along which crowns meet the alveolar margin, from the midline back (left side, skull mm)."""

    def __init__(self, points: ArrayLike, jaw: str) -> None:
        p = np.asarray(points, dtype=float)
        s = np.r_[0, np.cumsum(np.linalg.norm(np.diff(p, axis=0), axis=1))]
        # a smooth start: the row crosses the midline at right angles
        self.spline = CubicSpline(s, p, axis=0, bc_type=((1, np.array([1.0, 0, 0])), "not-a-knot"))
        self.length = float(s[-1])
        self.jaw = jaw

    def point(self, s: float) -> NDArray[np.float64]:
        """Point at arc length ``s``, skull mm; beyond the end the row goes straight on."""
        t = min(s, self.length)
        p: NDArray[np.float64] = self.spline(t)
        if s > self.length:
            p = p + (s - t) * self.tangent(t)
        return p

    def tangent(self, s: float) -> NDArray[np.float64]:
        """Direction at arc length ``s``, unit length."""
        d: NDArray[np.float64] = self.spline(min(s, self.length), 1)
        out: NDArray[np.float64] = d / np.linalg.norm(d)
        return out

    def frame(self, s: float, lean: float = 0.0, tip: float = 0.0, turn: float = 0.0) -> Frame:
        """Frame of a tooth whose neck stands at `s`: u mesial, v buccal, w occlusal.

        `lean` turns the crown towards buccal, `tip` towards mesial, `turn` about its axis (radians).
        """
        u = -self.tangent(s)
        w0 = np.array([0.0, -1.0 if self.jaw == "upper" else 1.0, 0.0])
        w = w0 - u * (w0 @ u)
        w /= np.linalg.norm(w)
        v = np.cross(w, u) if self.jaw == "upper" else np.cross(u, w)
        # on the left side buccal is towards +x (or forward at the incisors)
        if v @ np.array([1.0, 0.0, 0.35]) < 0:
            v = -v
        # crowns lean forward rather than apart, so that the roots of procumbent teeth stay side by side
        ahead = 0.3 * v + np.array([0.0, 0.0, 0.7]) if lean > 0.2 else v
        ahead = ahead - w * (ahead @ w)
        ahead /= np.linalg.norm(ahead)
        w = w * np.cos(lean) + ahead * np.sin(lean)
        u = u - w * (u @ w)
        u /= np.linalg.norm(u)
        side = np.cross(w, u)
        v = side if side @ v > 0 else -side
        m = np.stack([u, v, w], axis=1)
        ct, st, cz, sz = np.cos(tip), np.sin(tip), np.cos(turn), np.sin(turn)
        spin = np.array([[cz, -sz, 0], [sz, cz, 0], [0, 0, 1]])
        mesial = np.array([[ct, 0, st], [0, 1, 0], [-st, 0, ct]])
        r = m @ mesial @ spin
        return frame(self.point(s), r[:, 0], r[:, 1], r[:, 2])


def _mirror(m: Frame) -> Frame:
    return np.diag([-1.0, 1, 1, 1]) @ m


def _varied(gen: Generation, rng: np.random.Generator, common: float) -> Shape:
    j = rng.normal(0, 0.025, 4)
    length, width, height = (s * common * (1 + float(e)) for s, e in zip(gen.size, j, strict=False))
    plan = FORMS[gen.form]
    return Shape(
        gen.form,
        length,
        width,
        height,
        gen.root * common * (1 + float(j[3])),
        plan.roots,
        gen.enamel * (1 + 0.1 * float(rng.normal())),
        gen.curve,
        gen.stout,
        gen.spread,
        gen.exposed * common,
        gen.bend * common,
        gen.growing,
    )


def _tooth(
    locus: Locus,
    gen: Generation,
    generation: str,
    side: str,
    course: Course,
    age: float,
    wear: float,
    rng: np.random.Generator,
    common: float,
) -> Tooth:
    shape = _varied(gen, rng, common)
    state = course.state(age, wear)
    model = grow_tooth(shape, state, int(rng.integers(1 << 30)))
    f, h = course.emergence(age), shape.height
    whole = f
    crest = h - shape.exposed if shape.exposed > 0 else -0.12 * min(h, 2.0) - 0.08
    f *= shape.shown / shape.enamel_height
    emergence = "in_crypt" if whole <= 0.05 else "erupted" if whole >= 0.8 else "erupting"
    return Tooth(
        locus.jaw,
        side,
        locus.kind,
        locus.position,
        generation,
        shape,
        state,
        model,
        np.eye(4),
        crest,
        crest,
        emergence,
        f,
        gap=float(rng.uniform(0.10, 0.18)),
        follicle=float(rng.uniform(0.22, 0.4)),
    )


def _settle(tooth: Tooth, age: float, course: Course, margin: Frame) -> Tooth:
    """Sink a tooth along its axis to the depth that its emergence asks for; `margin` is its frame at the
    margin.
    """
    h, f = tooth.shape.height, course.emergence(age)
    if f >= 0.98:
        crest = tooth.full_crest
    elif f > 0.0:
        crest = max(h - f * tooth.shape.shown, tooth.full_crest)
    else:
        crest = h + course.depth(age)
    m = margin.copy()
    m[:3, 3] = margin[:3, 3] - margin[:3, 2] * crest
    return replace(tooth, to_skull=m, crest=crest)


def _shift(tooth: Tooth, u: float = 0.0, v: float = 0.0, w: float = 0.0) -> Tooth:
    m = tooth.to_skull.copy()
    m[:3, 3] += m[:3, :3] @ np.array([u, v, w])
    return replace(tooth, to_skull=m, crest=tooth.crest - w)


def lay_row(
    animal: Animal,
    jaw: str,
    side: str,
    age: float,
    wear: float,
    grow: Proportions,
    rng: np.random.Generator,
    common: float,
    jitter: float = 1.0,
    *,
    opposed: Sequence[Tooth] = (),
    incisors_only: bool = False,
) -> list[Tooth]:
    """All teeth of one quadrant, placed in skull coordinates (lower teeth with the jaw closed), on the left.

    The canine also keeps clear of the `opposed` teeth of the other jaw, which it passes when the jaw closes.
    """
    curve = RowCurve(grow.point(animal.design["rows"][jaw]), jaw)
    out: list[Tooth] = []
    successors: list[tuple[Locus, Tooth | None, float, Course]] = []
    s = 0.0
    for locus in animal.row(jaw):
        if incisors_only and locus.kind != "incisor":
            break
        delay = float(rng.normal(0, 0.012)) * jitter
        second = replace(locus.second.course, erupts=locus.second.course.erupts + delay)
        first = locus.first
        milk = (
            None
            if first is None
            else replace(first.course, erupts=first.course.erupts + delay, shed=second.erupts - 0.05)
        )
        if first is not None and milk is not None and not milk.lost(age):
            if not milk.begun(age):
                continue
            here = _tooth(
                locus,
                first,
                "deciduous",
                side,
                milk,
                age,
                min(0.35, wear + 0.25 * max(0.0, age - 0.2)),
                rng,
                common,
            )
            course = milk
        else:
            if not second.begun(age):
                continue
            # molars count as permanent though nothing precedes them
            generation = "permanent" if first is not None or locus.kind == "molar" else "unreplaced"
            # an ever-growing tooth grows with the jaw; the others come in their final size
            size = common * (float(grow.face) / common if locus.second.growing else 1.0)
            here = _tooth(locus, locus.second, generation, side, second, age, wear, rng, size)
            course = second
        lean = locus.lean + float(rng.normal(0, 0.04)) * jitter
        tip = locus.tip + float(rng.normal(0, 0.03)) * jitter
        turn = float(rng.normal(0, 0.06)) * jitter
        spread = 0.3 * min(1.0, 0.4 / max(locus.gap, 0.01))
        gap = locus.gap * float(grow.face) * float(rng.uniform(1 - spread, 1 + spread)) if out else 0.06
        if here.emergence == "in_crypt":
            gap = max(gap, 0.22)
        if locus.stand is not None:
            here = _settle(here, age, course, _sagittal(locus, grow, lean))
            out.append(here)
            continue
        if locus.start is not None:
            s, gap = locus.start * grow.face - here.shape.length / 2, 0.0
        passed = opposed if here.kind == "canine" and here.emergence != "in_crypt" else ()
        here, s = _stand(
            here,
            curve,
            s,
            gap,
            (lean, tip, turn),
            course,
            age,
            [] if locus.start is not None else out,
            passed,
        )
        out.append(here)
        if here.generation == "deciduous" and second.begun(age):
            successors.append((locus, here, s, second))
    if incisors_only:
        return out
    successors.sort(key=lambda e: e[3].erupts)
    for locus, before, at, course in successors:
        after = _tooth(locus, locus.second, "permanent", side, course, age, 0.0, rng, common)
        sunk = _beneath(after, before, curve, at, (locus.lean, locus.tip), course, age, out)
        assert before is not None
        sunk.replaces, before.replaced_by = before, sunk
        out.append(sunk)
    for i, t in enumerate(out):
        if t.shape.growing:
            out[i] = _clear_of(t, [u for u in out if u is not t])
    return out


def _clear_of(tooth: Tooth, others: Sequence[Tooth]) -> Tooth:
    """An ever-growing tooth whose base ends before it meets the roots of other teeth."""
    for _ in range(12):
        if clearance(tooth, others, coarse=2, limit=0.2) > 0.06:
            break
        before = tooth.shape.enamel_height
        shape = replace(tooth.shape, root=0.93 * tooth.shape.root)
        fraction = tooth.fraction * before / shape.enamel_height
        model = grow_tooth(shape, tooth.state, tooth.model.seed)
        tooth = replace(tooth, shape=shape, model=model, fraction=fraction)
    return tooth


def _sagittal(locus: Locus, grow: Proportions, lean: float) -> Frame:
    """Frame of a tooth that stands in a sagittal plane, its root turned aside by the yaw."""
    assert locus.stand is not None
    x, y, z, yaw = locus.stand
    up = -1.0 if locus.jaw == "upper" else 1.0
    v = np.array([0.0, -up * np.sin(lean), np.cos(lean)])
    w = np.array([0.0, up * np.cos(lean), np.sin(lean)])
    turn = np.array([[np.cos(yaw), 0, -np.sin(yaw)], [0, 1, 0], [np.sin(yaw), 0, np.cos(yaw)]])
    return frame(grow.point([x, y, z]), turn @ np.array([-1.0, 0, 0]), turn @ v, turn @ w)


def _stand(
    tooth: Tooth,
    curve: RowCurve,
    s: float,
    gap: float,
    turns: tuple[float, float, float],
    course: Course,
    age: float,
    before: Sequence[Tooth],
    opposed: Sequence[Tooth] = (),
) -> tuple[Tooth, float]:
    """Move a tooth back along the row until it clears the last ones by `gap`."""
    half = tooth.shape.length / 2
    at = s + (before[-1].shape.length / 2 if before else 0.0) + half + gap
    neighbours = before[-2:]

    def put(a: float) -> Tooth:
        return _settle(tooth, age, course, curve.frame(a, *turns))

    best = put(at)
    if not neighbours and s > 0.5:
        return best, at
    if not neighbours:
        for _ in range(12):
            lack = 0.03 - float(best.points()[:, 0].min())
            if lack <= 0:
                break
            at += max(lack, 0.01)
            best = put(at)
        return best, at
    at -= 0.3 * half
    for _ in range(40):
        best = put(at)
        room = clearance(best, neighbours, coarse=2, limit=gap + 0.5)
        if opposed and room >= gap - 0.01:
            room = gap + clearance(best, opposed, coarse=2, limit=0.1) - 0.06
        if room >= gap - 0.01:
            break
        at += max(0.6 * (gap - room), 0.02)
    return best, at


def _beneath(
    tooth: Tooth,
    before: Tooth | None,
    curve: RowCurve,
    at: float,
    turns: tuple[float, float],
    course: Course,
    age: float,
    others: Sequence[Tooth],
) -> Tooth:
    """Sink a successor beneath, and to the tongue's side of, the tooth that it replaces, clear of everything.

    Places further lingual, mesial or distal are tried, each as deep as its neighbours make it; the
    shallowest wins, with a price on straying.
    """
    assert before is not None
    # an unerupted crown lies flatter to the tongue than it will stand
    start = _settle(tooth, age, course, curve.frame(at, turns[0] - 0.12, turns[1]))
    width, length = tooth.shape.width, tooth.shape.length
    near = [t for t in others if np.linalg.norm(t.to_skull[:3, 3] - start.to_skull[:3, 3]) < 9.0]
    best, best_cost, best_room = start, 1e9, -9.0
    tries = [(du, dv) for du in (0.0, -0.25, 0.25, -0.5, 0.5, -0.9) for dv in (0.0, -0.3, 0.3, -0.6, -0.9, -1.4)]
    tries.sort(key=lambda c: abs(c[0]) * length + abs(c[1]) * min(width, 2.0))
    for du, dv in tries:
        stray = 0.7 * abs(du) * length + 0.7 * abs(dv) * min(width, 2.0)
        if stray >= best_cost:
            continue
        here = _shift(start, u=du * length, v=dv * min(width, 2.0))
        down = 0.0
        for _ in range(45):
            room = min(clearance(here, near, coarse=4, limit=0.3), float(here.points(8)[:, 0].min()) + 0.06)
            if room >= 0.1:
                break
            step = max(0.14 - room, 0.1)
            here, down = _shift(here, w=-step), down + step
            if down + stray >= best_cost:
                break
        if room < 0.1:
            if best_cost > 1e8 and room > best_room:
                best, best_room = here, room
            continue
        if down + stray < best_cost:
            best, best_cost = here, down + stray
    return best


def mirrored(teeth: Sequence[Tooth]) -> list[Tooth]:
    """Teeth laid out on the left, carried over to the right side."""
    for t in teeth:
        t.to_skull = _mirror(t.to_skull)
    return list(teeth)
