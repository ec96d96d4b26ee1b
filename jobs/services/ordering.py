"""Rows that a shop keeps in an order of its own: causes, elements, readiness checks."""

from __future__ import annotations

from collections.abc import Sequence

from jobs.models import Cause, Element
from shop.errors import BadInput
from shop.models import ReadinessCheck

Ordered = Cause | Element | ReadinessCheck


def place_move(rows: Sequence[Ordered], row: Ordered, step: int) -> None:
    """Put `row` one place up (step -1) or down (1) among `rows`, which come in their order; at the end it stays.

    All places are written anew, since rows may share one.
    """
    order = list(rows)
    here = order.index(row)
    there = min(max(here + step, 0), len(order) - 1)
    order.insert(there, order.pop(here))
    for position, one in enumerate(order):
        if one.position != position:
            one.position = position
            one.save(update_fields=["position"])


def place_last(rows: Sequence[Ordered]) -> int:
    """The place after all of `rows`."""
    return min(max((row.position for row in rows), default=-1) + 1, 32767)


def free_name(rows: Sequence[Ordered], name: str, own: Ordered | None = None, *, longest: int) -> str:
    """The name as it is kept, if no other of `rows` has it. Raises BadInput (field `name`)."""
    name = " ".join(name.replace("\0", "").split())  # which PostgreSQL does not keep in a text
    if not name:
        raise BadInput("Give it a name.", field="name")
    if len(name) > longest:
        raise BadInput(f"“{name[:30]}…” is too long: at most {longest} characters.", field="name")
    for row in rows:
        if row != own and row.name.lower() == name.lower():
            retired = "" if row.active else " among those no longer offered. Bring it back there"
            raise BadInput(f"There already is a “{row.name}”{retired}. Choose another name.", field="name")
    return name
