"""The loop that fits the network: by steps or by minutes, kept as it goes, and going on where it was stopped.

The patch of a step depends on the seed and the step's number alone, so a fit by steps that was stopped sees the same
patches as one that was not.
"""

from __future__ import annotations

import io
import math
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor, nn

from .arrays import Prepared
from .network import WAY, WIDTHS, ToothNetwork
from .patches import Patch, draw
from .store import write

__all__ = ["PARTS", "Course", "finished", "fit", "losses"]

PARTS = {
    "tooth": 2.0, "tooth dice": 0.5, "enamel": 1.0, "enamel dice": 0.2, "close": 1.0, "way": 0.5, "deciduous": 0.1,
    "form": 0.1,
}  # fmt: skip
"""Parts of what is made small, and how much each counts."""
SOLID = 0.3
"""Greys from which a voxel that is not tooth counts in full."""


@dataclass(frozen=True)
class Course:
    """How long and how to fit: ``steps`` or ``minutes``, whichever is given and ends first.

    ``side`` of a patch in voxels; ``rate`` the greatest rate of learning; ``half`` whether convolutions are worked out
    in bfloat16; ``threads`` of torch; ``every`` how many steps from one progress line and checkpoint to the next.
    """

    steps: int | None = None
    minutes: float | None = None
    side: int = 80
    rate: float = 2e-3
    widths: tuple[int, ...] = WIDTHS
    seed: int = 1
    half: bool = True
    threads: int = 2
    every: int = 100

    def __post_init__(self) -> None:
        if self.steps is None and self.minutes is None:
            raise ValueError("a course needs a number of steps or of minutes")

    def done(self, step: int, seconds: float) -> float:
        """How much of it is over, 1 or more at the end."""
        by_step = step / max(self.steps, 1) if self.steps is not None else 0.0
        return max(by_step, seconds / (60 * self.minutes) if self.minutes else 0.0)


def losses(said: Tensor, patch: Patch) -> dict[str, Tensor]:
    """The parts of `PARTS` for raw outputs (1, channels, z, y, x) of the network.

    Cross-entropies weigh what is solid over what is air, and surfaces between teeth over all; the soft Dice (Milletari
    et al. 2016, 3DV) evens out patches with little tooth; ways count inside teeth, by a smooth L1.
    """
    place = said.device
    tooth, enamel, close, grey, deciduous = (
        torch.from_numpy(a)[None].to(place)
        for a in (patch.tooth, patch.enamel, patch.close, patch.grey, patch.deciduous)
    )
    way, form = torch.from_numpy(patch.way)[None].to(place) / WAY, torch.from_numpy(patch.form)[None].to(place)
    weight = torch.where((grey > SOLID) | (tooth > 0), 1.0, 0.12) + 0.6 * close

    def entropy(channel: int, truth: Tensor, by: Tensor, least: float = 0.0) -> Tensor:
        every = F.binary_cross_entropy_with_logits(said[:, channel], truth, reduction="none")
        return (every * by).sum() / (by.sum() + least)

    def dice(channel: int, truth: Tensor) -> Tensor:
        chance = said[:, channel].sigmoid()
        return 1 - (2 * (chance * truth).sum() + 50) / (chance.sum() + truth.sum() + 50)

    near = F.max_pool3d(tooth[:, None], 5, 1, 2)[:, 0] * (1 + 3 * close) + 0.05
    off = F.smooth_l1_loss(said[:, 3:6], way, reduction="none", beta=0.3).mean(1)
    known, named = (deciduous >= 0).float(), (form >= 0).float()
    forms = F.cross_entropy(said[:, 7:11], form.clamp(min=0), reduction="none")
    return {
        "tooth": entropy(0, tooth, weight),
        "tooth dice": dice(0, tooth),
        "enamel": entropy(1, enamel, weight),
        "enamel dice": dice(1, enamel),
        "close": entropy(2, close, near),
        "way": (off * tooth).sum() / (tooth.sum() + 200),
        "deciduous": entropy(6, deciduous.clamp(min=0), known, 200),
        "form": (forms * named).sum() / (named.sum() + 200),
    }


def _patches(specimens: Sequence[Prepared], weights: Sequence[float], course: Course, start: int) -> Iterator[Patch]:
    """Patches from step ``start`` on, drawn a few ahead in other threads."""

    def one(step: int) -> Patch:
        return draw(specimens, weights, course.side, np.random.default_rng([course.seed, step]))

    pool = ThreadPoolExecutor(2)
    ahead: deque[Future[Patch]] = deque()
    try:
        step = start
        while True:
            while len(ahead) < 4:
                ahead.append(pool.submit(one, step))
                step += 1
            yield ahead.popleft().result()
    finally:
        pool.shutdown(cancel_futures=True)


def _load(checkpoint: Path) -> dict[str, Any]:
    kept: dict[str, Any] = torch.load(checkpoint, map_location="cpu", weights_only=True)
    return kept


def finished(checkpoint: Path, course: Course) -> bool:
    """Whether a fit of this course was kept at ``checkpoint`` and is over."""
    if not checkpoint.exists():
        return False
    kept = _load(checkpoint)
    return course.done(kept["step"], kept["seconds"]) >= 1


def fit(
    specimens: Sequence[Prepared],
    weights: Sequence[float],
    course: Course,
    checkpoint: Path,
    tell: Callable[[str], None] = print,
) -> tuple[ToothNetwork, dict[str, float]]:
    """Fit a network, from ``checkpoint`` on if it is there: the running mean of its weights, and how the fit went.

    AdamW (Loshchilov & Hutter 2019, ICLR), the rate warmed up over 100 steps and let down along a cosine.
    """
    torch.set_num_threads(course.threads)
    torch.manual_seed(course.seed)
    place = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    network, mean = ToothNetwork(course.widths), ToothNetwork(course.widths)
    optimiser = torch.optim.AdamW(network.parameters(), lr=course.rate, weight_decay=1e-4)
    step, before, lately = 0, 0.0, dict.fromkeys(PARTS, 0.0)
    mean.load_state_dict(network.state_dict())
    if checkpoint.exists():
        kept = _load(checkpoint)
        network.load_state_dict(kept["network"])
        mean.load_state_dict(kept["mean"])
        step, before, lately = kept["step"], kept["seconds"], kept["lately"]
        tell(f"  network: goes on from step {step}, {before / 60:.0f} minutes")
    network.to(place, memory_format=torch.channels_last_3d)
    mean.to(place)
    if checkpoint.exists() and kept["optimiser"] is not None:
        optimiser.load_state_dict(kept["optimiser"])
    began = time.perf_counter()

    def seconds() -> float:
        return before + time.perf_counter() - began

    def keep() -> None:
        state = {
            "network": network.state_dict(), "mean": mean.state_dict(), "optimiser": optimiser.state_dict(),
            "step": step, "seconds": seconds(), "lately": lately,
        }  # fmt: skip
        buffer = io.BytesIO()
        torch.save(state, buffer)
        write(checkpoint, buffer.getvalue())

    done = course.done(step, before)
    if done < 1:
        source = _patches(specimens, weights, course, step)
        sums, count = dict.fromkeys(PARTS, 0.0), 0
        try:
            while done < 1:
                for group in optimiser.param_groups:
                    group["lr"] = course.rate * min(1, step / 100) * (0.5 * (1 + math.cos(math.pi * done)) + 0.01)
                patch = next(source)
                grey = torch.from_numpy(patch.grey)[None, None].to(place, memory_format=torch.channels_last_3d)
                with torch.autocast(place.type, dtype=torch.bfloat16, enabled=course.half):
                    said = network(grey)
                parts = losses(said.float(), patch)
                optimiser.zero_grad(set_to_none=True)
                torch.stack([PARTS[name] * part for name, part in parts.items()]).sum().backward()
                nn.utils.clip_grad_norm_(network.parameters(), 2.0)
                optimiser.step()
                step += 1
                for name, part in parts.items():
                    sums[name] += float(part.detach())
                count += 1
                if step % 10 == 0:
                    _follow(mean, network, min(0.99, step / (step + 100)))
                done = course.done(step, seconds())
                if step % course.every == 0 or done >= 1:
                    lately = {name: value / count for name, value in sums.items()}
                    sums, count = dict.fromkeys(PARTS, 0.0), 0
                    keep()
                    words = ", ".join(f"{name} {value:.4f}" for name, value in lately.items())
                    tell(f"  network: step {step}, {seconds() / 60:.1f} min, {100 * done:.0f} %: {words}")
        finally:
            source.close()
    return mean.cpu(), {
        "steps": step,
        "minutes": round(seconds() / 60, 1),
        **{f"last {k}": v for k, v in lately.items()},
    }


def _follow(mean: nn.Module, network: nn.Module, share: float) -> None:
    """Move the running mean of weights: ``share`` of itself, the rest of the network as it is."""
    with torch.no_grad():
        for old, new in zip(mean.parameters(), network.parameters(), strict=True):
            old.mul_(share).add_(new, alpha=1 - share)
