"""What changes on the stage in a talk, event by event: read strictly, found again in the accounts as they stand now."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ossicle.errors import OssicleError

from .following import Follower
from .scene import (
    Bad,
    Cut,
    Eye,
    Scene,
    Standing,
    Vector,
    clip_of,
    cut_of,
    eye_of,
    named_of,
    number_of,
    shown_of,
    text_of,
)

__all__ = ["Event", "events_of", "followed_events", "scenes_at", "specimens_of"]

Json = Mapping[str, Any]
_KEYS = ("t", "eye", "shown", "lift", "clip", "slice", "named", "finding", "chapter", "pointer")


@dataclass(frozen=True)
class Event:
    """What changed at a moment, ``t_ms`` from the beginning; what is not in ``changed`` stays as it was.

    ``changed`` maps ``eye`` to `Eye`, ``shown`` to a tuple of `Standing`, ``lift`` to mm, ``clip`` to a plane or None,
    ``slice`` to `Cut` or None, ``named`` to specimens and parts, ``finding`` to an id or None, ``chapter`` to a title,
    ``pointer`` to mm right and up on the page from where the eye looks, or None.
    """

    t_ms: float
    changed: Mapping[str, Any]


def events_of(data: Any, where: str = "events") -> list[Event]:
    """Return events from their data, in order of time.

    Raises
    ------
    OssicleError
        They are none.
    """
    out = []
    try:
        if not isinstance(data, list):
            raise Bad("a list is missing")
        for one in data:
            unknown = [k for k in one if k not in _KEYS]
            if unknown:
                raise Bad(f"{unknown[0]!r} is not known")
            changed = {k: _read(k, v) for k, v in one.items() if k != "t"}
            out.append(Event(number_of(one["t"], 0.0, 1e8), changed))
    except (KeyError, TypeError, ValueError, AttributeError, Bad) as error:
        why = f"{error} is missing" if isinstance(error, KeyError) else str(error)
        raise OssicleError(
            f"these are no changes of the stage ({why})", where=where, mend="load the page of the desk again"
        ) from error
    return sorted(out, key=lambda e: e.t_ms)


def _read(key: str, value: Any) -> Any:
    if key == "eye":
        return eye_of(value)
    if key == "shown":
        return shown_of(value)
    if key == "lift":
        return number_of(value, 0.0, 1000.0)
    if key == "named":
        return named_of(value)
    if key == "chapter":
        return text_of(value)
    if value is None:
        return None
    if key == "clip":
        return clip_of(value)
    if key == "slice":
        return cut_of(value)
    if key == "finding":
        return text_of(value)
    x, y = (number_of(v) for v in value)
    return x, y


def specimens_of(events: Sequence[Event]) -> list[str]:
    """Return the specimens that stand there at any time, as events call them, the first leading one first."""
    seen: dict[str, None] = {}
    for e in events:
        for s in e.changed.get("shown", ()):
            seen[s.specimen] = None
    return list(seen)


def followed_events(events: Sequence[Event], follower: Follower) -> list[Event]:
    """Return events as they are of the accounts as they stand now, specimens called by the names that they bear."""
    first = ""
    out = []
    for e in events:
        shown: Sequence[Standing] | None = e.changed.get("shown")
        if shown:
            first = shown[0].specimen
        now = dict(e.changed)
        if shown is not None:
            now["shown"] = follower.shown(shown)
        if "named" in now:
            now["named"] = follower.named(now["named"])
        if first:
            if "eye" in now:
                now["eye"] = follower.eye(now["eye"], first)
            if "clip" in now:
                now["clip"] = follower.clip(now["clip"], first)
        out.append(Event(e.t_ms, now))
    return out


def scenes_at(events: Sequence[Event], times_ms: Sequence[float]) -> list[tuple[Scene, tuple[float, float] | None]]:
    """Return the scene and the pointer at each of the times, which grow.

    Before the stage is first told in whole, the first scene is given.
    """
    state: dict[str, Any] = {}
    first: dict[str, Any] = {}
    for e in events:
        first = {**e.changed, **first}
        if "eye" in first and "shown" in first:
            break
    if "eye" not in first or "shown" not in first:
        raise OssicleError("this talk shows nothing", mend="record it again")
    out = []
    n = 0
    for t in times_ms:
        while n < len(events) and events[n].t_ms <= t:
            state.update(events[n].changed)
            n += 1
        out.append((_scene({**first, **state}), state.get("pointer")))
    return out


def _scene(state: Mapping[str, Any]) -> Scene:
    eye: Eye = state["eye"]
    clip: tuple[Vector, float] | None = state.get("clip")
    cut: Cut | None = state.get("slice")
    return Scene(eye, state["shown"], state.get("lift", 0.0), clip, cut, state.get("named", ()), state.get("finding"))
