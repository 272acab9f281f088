"""One tooth as a model: its body, enamel and pulp at any state of growth, wear and resorption.

The body is the crown joined with its roots. Mineral forms from the cusp tips down, so a growing tooth is the
part of the finished one above the formation front, a shell whose wall thickens with distance from the front;
what is not yet mineralised is papilla. Enamel is the outer layer above the neck; it thins towards the neck
and its mineral matures last.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ossicle.practice import crowns
from ossicle.practice.noise import ripple
from ossicle.practice.shapes import Array, Frame, Solid, f32, half_space, join, smooth_max, sphere

__all__ = ["Figures", "Model", "Shape", "State", "Tooth", "grow_tooth"]

F = np.float32


@dataclass(frozen=True)
class Shape:
    """The finished tooth: form and size (mm) of its crown, its roots and its enamel.

    `exposed` is the crown height beyond the margin (0: all of it); `bend` the radius of a curve towards the
    tongue (0: straight); a `growing` tooth never closes its root and has enamel on its labial side only.
    """

    form: str
    length: float
    width: float
    height: float
    root: float
    roots: tuple[tuple[float, float], ...]
    enamel: float
    curve: float = 0.0
    stout: float = 1.0
    spread: float = 1.0
    exposed: float = 0.0
    bend: float = 0.0
    growing: bool = False

    @property
    def shown(self) -> float:
        """Crown height beyond the margin when the tooth is in place, mm; less than the whole in high
        crowns.
        """
        return self.exposed if self.exposed > 0 else self.height

    @property
    def enamel_height(self) -> float:
        """Height covered by enamel when the tooth is finished, mm."""
        return self.height + (self.root if self.growing else 0.0)


@dataclass(frozen=True)
class State:
    """How far a tooth has come: shares of crown and root formed, of the root resorbed, and of crown height
    worn.
    """

    crown: float = 1.0
    root: float = 1.0
    resorbed: float = 0.0
    wear: float = 0.0
    pulp: float = 1.0


@dataclass(frozen=True)
class Figures:
    """Measures of a tooth, taken on its model by dense sampling; lengths mm, volumes mm3."""

    length: float
    width: float
    crown_height: float
    volume: float
    enamel_volume: float
    whole_volume: float
    centroid: NDArray[np.float64]


@dataclass(frozen=True)
class Model:
    """A tooth in its own frame. All fields are signed distances in mm, negative inside."""

    whole: Solid
    front: float
    neck: float
    top: float
    enamel: float
    wall: float
    root: float
    maturity: float
    wear_level: float
    scar: tuple[Solid, ...] = ()
    seed: int = 0
    labial_only: float | None = None
    bend: float = 0.0
    closing: float = 0.34
    bitten: tuple[Solid, ...] = ()
    hollow: tuple[Solid, ...] = ()

    def straight(self, u: Array, v: Array, w: Array) -> tuple[Array, Array, Array]:
        """Coordinates along and across the curve of a bent tooth; the tooth's own where it is straight."""
        if self.bend <= 0:
            return u, v, w
        r = F(self.bend)
        return u, f32(np.sqrt((v + r) ** 2 + w * w) - r), f32(r * np.arctan2(w, v + r))

    @cached_property
    def box(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Corners of the box round what is there of the tooth, own frame."""
        lo, hi = self.whole.lo.copy(), self.whole.hi.copy()
        lo[2], hi[2] = max(lo[2], self.front), min(hi[2], self.wear_level + 0.1)
        if self.bend <= 0:
            return lo, hi
        s, q = np.meshgrid(np.linspace(lo[2], hi[2], 40), [lo[1], hi[1]])
        v, w = (self.bend + q) * np.cos(s / self.bend) - self.bend, (self.bend + q) * np.sin(s / self.bend)
        return np.array([lo[0], v.min(), w.min()]), np.array([hi[0], v.max(), w.max()])

    @property
    def lo(self) -> NDArray[np.float64]:
        """Low corner of its box, mm."""
        return self.box[0]

    @property
    def hi(self) -> NDArray[np.float64]:
        """High corner of its box, mm."""
        return self.box[1]

    def _outline(self, outer: Array, u: Array, v: Array, w: Array) -> Array:
        d = np.maximum(outer, F(self.front) - w)
        if self.wear_level < self.top:
            slope = F(0.06) * (u + v)
            d = smooth_max(d, w - F(self.wear_level) + slope, 0.08)
        for s in self.scar + self.bitten:
            d = np.maximum(d, -s(u, v, w))
        return f32(d)

    def body(self, u: Array, v: Array, w: Array) -> Array:
        """The tooth with its pulp."""
        u, v, w = self.straight(u, v, w)
        return self._outline(self.whole(u, v, w), u, v, w)

    @cached_property
    def solid(self) -> Solid:
        """The tooth without its layers."""
        return Solid(self.body, self.lo, self.hi)

    def layers(self, u: Array, v: Array, w: Array) -> tuple[Array, Array, Array]:
        """Distances of (body with pulp, enamel, pulp)."""
        body, enamel, pulp = self.zones(u, v, w)
        return body, np.maximum(enamel, body), pulp

    def zones(self, u: Array, v: Array, w: Array) -> tuple[Array, Array, Array]:
        """As :meth:`layers`, but with the enamel's zone not cut off at the surface of the body."""
        u, v, w = self.straight(u, v, w)
        outer = self.whole(u, v, w)
        body = self._outline(outer, u, v, w)
        up = w - F(self.neck)
        wobble = F(1) + F(0.18) * ripple(u, v, w, 1.1, self.seed)
        rise = np.clip(up * F(2.2 / max(self.top - self.neck, 0.1)), F(0), F(1))
        thick = F(self.enamel) * wobble * (F(0.25) + F(0.75) * rise)
        thick = (
            np.minimum(thick, F(0.02) + F(0.22) * np.maximum(w - F(self.front), F(0))) if self.front > -50 else thick
        )
        edge = F(0.05) * np.sin(F(2.5) * u) * F(max(self.top, 0.1))
        enamel = np.maximum(-outer - thick, edge - up)
        if self.labial_only is not None:
            enamel = np.maximum(enamel, F(self.labial_only) - v)
        below = np.clip(-w / F(max(self.root, 0.1)), F(0), F(1))
        wall = F(self.wall) * (F(1) - F(0.62) * below)
        grown = F(0.03) + F(self.closing) * np.maximum(w - F(self.front), F(0))
        pulp = outer + np.minimum(wall, grown)
        pulp = np.maximum(pulp, w - F(self.neck + 0.62 * (self.top - self.neck)) if self.maturity >= 1 else pulp)
        return body, enamel, np.maximum(pulp, body)

    @cached_property
    def _sample(self) -> tuple[NDArray[np.float64], Array, Array, Array, float]:
        lo, hi = self.lo - 0.05, self.hi + 0.05
        step = float(np.clip(np.cbrt(np.prod(hi - lo) / 60000), 0.02, 0.12))
        axes = [np.arange(a, b + step, step) for a, b in zip(lo, hi, strict=True)]
        u, v, w = (g.astype(F).ravel() for g in np.meshgrid(*axes, indexing="ij"))
        body, enamel, pulp = self.layers(u, v, w)
        keep = body < step
        return (np.stack([u, v, w], axis=1)[keep].astype(float), body[keep], enamel[keep], pulp[keep], step)

    @cached_property
    def surface(self) -> NDArray[np.float64]:
        """Points on the surface, ``(n, 3)``, at most about 1500."""
        lo, hi = self.lo - 0.05, self.hi + 0.05
        step = float(np.clip(np.cbrt(np.prod(hi - lo) / 22000), 0.02, 0.2))
        axes = [np.arange(a, b + step, step) for a, b in zip(lo, hi, strict=True)]
        u, v, w = (g.astype(F).ravel() for g in np.meshgrid(*axes, indexing="ij"))
        d = self.body(u, v, w)
        near = np.flatnonzero(np.abs(d) < 0.7 * step)
        near = near[:: max(1, len(near) // 1500)]
        p = np.stack([u[near], v[near], w[near]], axis=1)
        # one step along the gradient brings them onto the surface
        e = 0.25 * step
        grad = (
            np.stack([self.body(*(p + e * np.eye(3, dtype=F)[i]).astype(F).T) - d[near] for i in range(3)], axis=1) / e
        )
        square = np.maximum((grad**2).sum(1), 0.3)
        out: NDArray[np.float64] = (p - grad * (d[near] / square)[:, None]).astype(float)
        return out

    @cached_property
    def figures(self) -> Figures:
        """Length, width, height and volumes by dense sampling of the model (partial cells counted by
        distance).
        """
        p, body, enamel, pulp, step = self._sample
        cell = step**3

        def share(d: Array) -> NDArray[np.float64]:
            return np.clip(0.5 - d.astype(float) / step, 0, 1)

        whole, en, pu = share(body), share(enamel), share(pulp)
        cap = enamel < 0.25 * step
        if self.labial_only is not None:  # what stands out of the jaw, enamel or not
            cap = (body < 0.25 * step) & (self.straight(*(p.astype(F).T))[2] > self.neck)
        crown = p[cap] if cap.any() else p[body < 0]
        crown = np.stack(self.straight(*(crown.astype(F).T)), axis=1)
        extent = crown.max(0) - crown.min(0) + 0.5 * step if len(crown) else np.zeros(3)
        total = whole.sum()
        centroid = (p * whole[:, None]).sum(0) / total if total > 0 else p.mean(0)
        return Figures(
            float(extent[0]),
            float(extent[1]),
            float(extent[2]),
            float((total - pu.sum()) * cell),
            float(en.sum() * cell),
            float(total * cell),
            centroid,
        )


def grow_tooth(shape: Shape, state: State, seed: int) -> Model:
    """The model of a tooth of a given shape in a given state."""
    crown = crowns.crown(shape.form, shape.length, shape.width, shape.height)
    legs = crowns.roots(
        shape.roots,
        shape.length,
        shape.width,
        shape.root,
        curve=shape.curve,
        stout=shape.stout,
        spread=shape.spread,
    )
    h, half = shape.height, min(shape.length, shape.width) / 2
    whole = join(crown, *legs, k=0.25 * half)
    done = state.crown >= 1.0 and state.root >= 1.0
    if state.crown < 1.0:
        front = h - state.crown * h
    elif state.root < 1.0 or shape.growing:
        front = -max(state.root, 0.02) * shape.root
    else:
        front = -1e3
    scar: tuple[Solid, ...] = ()
    if state.resorbed > 0:
        # resorbed roots have no growing edge: they end in a pitted stub whose wall is thick
        stub = -shape.root * (1.0 - state.resorbed)
        rng = np.random.default_rng(seed + 17)
        scar = tuple(
            sphere(
                [rng.normal(0, 0.5) * shape.length / 2, rng.normal(0, 0.4) * shape.width / 2, stub - 0.1],
                rng.uniform(0.3, 0.6) * half,
            )
            for _ in range(3)
        )
        scar += (half_space([0, 0, stub], [0.1, 0.1, 1.0]),)
    maturity = 1.0 if done else 0.5 * state.crown + 0.5 * min(1.0, state.root * 2.5)
    wall = half * (0.38 + 0.2 * min(1.0, state.root) * state.pulp)
    worn = h * (1.0 - state.wear) if state.wear > 0 else h + 1.0
    if shape.growing:
        # what wears away is replaced from below, so its edge keeps its place
        return Model(
            whole,
            front,
            max(front, -shape.root) + 0.3,
            h,
            shape.enamel,
            wall * 1.25,
            shape.root,
            0.99,
            h + 1.0,
            scar,
            seed,
            0.3 * shape.width / 2,
            shape.bend,
            0.09,
        )
    return Model(
        whole,
        front,
        0.0,
        h,
        shape.enamel * (0.7 + 0.3 * maturity),
        wall,
        shape.root,
        maturity,
        worn,
        scar,
        seed,
        bend=shape.bend,
    )


@dataclass
class Tooth:
    """A tooth in its place: what it is, how it stands, and its model."""

    jaw: str
    side: str
    kind: str
    position: int
    generation: str
    shape: Shape
    state: State
    model: Model
    to_skull: Frame
    crest: float
    full_crest: float
    emergence: str = "erupted"
    fraction: float = 1.0
    locus: str = ""
    label: int = 0
    replaces: Tooth | None = None
    replaced_by: Tooth | None = None
    complete: bool = True
    follicle: float = 0.3
    gap: float = 0.15
    notes: list[str] = field(default_factory=list)

    @property
    def name(self) -> str:
        """Its name: upper case in the upper jaw, ``d`` before a deciduous one."""
        letter = self.kind[0].upper()
        letter = letter if self.jaw == "upper" else letter.lower()
        n = "" if self.kind == "canine" else str(self.position)
        return ("d" if self.generation == "deciduous" else "") + letter + n

    @property
    def key(self) -> tuple[str, str, str, int]:
        """Jaw, side, class and position."""
        return self.jaw, self.side, self.kind, self.position

    def points(self, every: int = 1) -> NDArray[np.float64]:
        """Surface points in skull mm (one in `every`)."""
        p = self.model.surface[::every]
        return p @ self.to_skull[:3, :3].T + self.to_skull[:3, 3]

    def distance(self, skull_points: NDArray[np.float64]) -> Array:
        """Signed distance of skull points to the tooth, mm."""
        if len(skull_points) == 0:
            return np.full(1, 9.0, dtype=F)
        inv = np.linalg.inv(self.to_skull)
        q = (skull_points @ inv[:3, :3].T + inv[:3, 3]).astype(F)
        return self.model.body(q[:, 0], q[:, 1], q[:, 2])


def clearance(a: Tooth, others: Sequence[Tooth], *, coarse: int = 1, limit: float = 1.0) -> float:
    """Least distance (mm; negative when they overlap) from `a` to any of `others`, as far as `limit`."""
    p = a.points(coarse)
    best = limit
    lo, hi = p.min(0) - limit, p.max(0) + limit
    for b in others:
        q = b.points(coarse)
        q = q[((q > lo) & (q < hi)).all(1)]
        if not len(q):
            continue
        near = p[((p > q.min(0) - limit) & (p < q.max(0) + limit)).all(1)]
        best = min(best, float(a.distance(q).min()), float(b.distance(near).min()))
    return best
