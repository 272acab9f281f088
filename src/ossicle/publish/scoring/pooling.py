"""From specimens to taxa: the states of several specimens in one cell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from .records import Cell, Standing

__all__ = ["pooled"]


def pooled(cells: Mapping[str, Cell], symbols: str) -> Cell:
    """Return the cell of a taxon from those of its specimens.

    States that specimens show add up to a polymorphism. A specimen that is uncertain adds nothing where one of its
    states is shown by another; where none is, the taxon is uncertain between all that may be. A specimen that does not
    tell, or to which the character does not apply, leaves it to the others.

    Parameters
    ----------
    cells
        By specimen.
    symbols
        Of the character, in order.
    """
    shown: dict[str, list[str]] = {}
    perhaps: dict[str, tuple[str, ...]] = {}
    for name, cell in cells.items():
        if cell.status in ("scored", "polymorphic"):
            for state in cell.states:
                shown.setdefault(state, []).append(name)
        elif cell.status == "uncertain":
            perhaps[name] = cell.states
    telling = [c for c in cells.values() if c.status not in ("missing", "inapplicable")]
    standing = _standing(telling or [*cells.values()])
    by = tuple(dict.fromkeys(w for c in cells.values() for w in c.by))
    confidence = [c.confidence for c in cells.values() if c.confidence is not None and c.status != "missing"]
    least = min(confidence) if confidence else None
    open_to = {name: states for name, states in perhaps.items() if not set(states) & set(shown)}
    if shown and not open_to:
        states = tuple(sorted(shown, key=symbols.index))
        why = "; ".join(f"{s}: {', '.join(shown[s])}" for s in states)
        return Cell("scored" if len(states) == 1 else "polymorphic", states, f"{why}.", standing, least, by=by)
    if shown or perhaps:
        states = tuple(sorted({*shown, *(s for v in perhaps.values() for s in v)}, key=symbols.index))
        why = "; ".join([f"{s}: {', '.join(n)}" for s, n in shown.items()]
                        + [f"{n}: {' or '.join(s)}" for n, s in perhaps.items()])  # fmt: skip
        return Cell("uncertain", states, f"{why}.", standing, least, by=by)
    out = [name for name, cell in cells.items() if cell.status == "inapplicable"]
    if out:
        return Cell("inapplicable", (), f"Does not apply in {', '.join(out)}.", standing, least, by=by)
    return Cell("missing", (), f"Told by none of {', '.join(cells)}.", standing)


def _standing(cells: Sequence[Cell]) -> Standing:
    held = {c.standing for c in cells}
    words: tuple[Standing, ...] = ("disputed", "amended")
    for word in words:
        if word in held:
            return word
    return held.pop() if len(held) == 1 else "computed"
