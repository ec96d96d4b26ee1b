"""Where more is clocked at once than can be."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator

from jobs.clock.events import Facts
from jobs.clock.results import Clash, Span


def clashes(spans: Iterable[Span], facts: Facts) -> Iterator[Clash]:
    """Machines on more stages than they take, then people at two places; spans in order of their beginnings.

    Each is told once for every beginning that makes it so.
    """
    machines: dict[int, list[Span]] = defaultdict(list)
    people: dict[int, list[Span]] = defaultdict(list)
    for span in spans:
        if span.kind == "machine" and span.machine is not None:
            machines[span.machine].append(span)
        elif span.kind == "hands_on" and span.person is not None:
            people[span.person].append(span)
    for machine, mine in sorted(machines.items()):
        for here in _at_once(mine):
            stages = _stages(here)
            if len(stages) > facts.capacity.get(machine, 1):
                yield Clash("machine", machine, stages, here[-1].starts)
    for person, mine in sorted(people.items()):
        for here in _at_once(mine):
            if len(here) > 1:
                yield Clash("person", person, _stages(here), here[-1].starts)


def _at_once(spans: Iterable[Span]) -> Iterator[list[Span]]:
    """At the beginning of each span: those that last then, it being the last of them."""
    here: list[Span] = []
    for span in spans:
        here = [one for one in here if one.ends is None or one.ends > span.starts]
        here.append(span)
        yield here


def _stages(spans: Iterable[Span]) -> tuple[int, ...]:
    return tuple(sorted({span.stage for span in spans}))
