"""Past stages that today's shop cannot do, on a machine that is gone, by hands that had the skill. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from analytics.engine.plan import CannotPlan, MachineSpec, ShopSpec, StageSpec, check_stage

STAND_IN = -1
"""Keys of machines that nobody remembers go down from here."""


@dataclass(frozen=True)
class StoodIn:
    """The stages of a job as they can be done. machines: those that stood in. eased: keys of stages whose skill or
    number of people was waived.
    """

    stages: tuple[StageSpec, ...]
    machines: tuple[MachineSpec, ...] = ()
    eased: frozenset[int] = frozenset()


def stood_in(
    spec: ShopSpec, stages: Iterable[StageSpec], was: Mapping[int, int], gone: Mapping[int, MachineSpec]
) -> StoodIn:
    """The stages, each that the shop has no machine for on the one that it was on, or on one like it.

    was: the machine that a stage was on, by the stage's key. gone: machines no longer there, by key. A stand-in does
    nothing else. A skill that too few have is waived, and no stage takes more people than the shop has.

    Raises CannotPlan where even that does not help: nobody works in the shop.
    """
    done, machines, eased = [], dict[int, MachineSpec](), set[int]()
    for stage in stages:
        by_hand = replace(stage, machine_kind="", machine=None)
        if not _can(spec, by_hand):
            if not spec.people:
                check_stage(spec, by_hand)
            eased.add(stage.key)
            stage = replace(stage, skill=None, people=min(stage.people, len(spec.people)))
        if not _can(spec, replace(stage, people=0)):
            machine = gone.get(was.get(stage.key, 0)) or like_then(stage.machine_kind)
            machines[machine.key] = replace(machine, does=frozenset(), loaded=None, hot_until=0.0)
            stage = replace(stage, machine=machine.key)
        done.append(stage)
    return StoodIn(tuple(done), tuple(machines.values()), frozenset(eased))


def with_stand_ins(spec: ShopSpec, machines: Iterable[MachineSpec]) -> ShopSpec:
    """The shop with the machines that stand in, each once."""
    more = {machine.key: machine for machine in machines}
    return replace(spec, machines=(*spec.machines, *more.values()))


def like_then(kind: str) -> MachineSpec:
    """A machine that nobody remembers, of a kind that there must have been."""
    return MachineSpec(-1 - sum(kind.encode()), f"A {kind.replace('_', '-')} of then", frozenset())


def _can(spec: ShopSpec, stage: StageSpec) -> bool:
    try:
        check_stage(spec, stage)
    except CannotPlan:
        return False
    return True
