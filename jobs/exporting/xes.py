"""XES event logs (IEEE Std 1849): a trace for each job, events by the standard life cycle.

A sitting begins with `start`, or with `resume` where its stage was left for a while, and ends with `suspend` or
`complete`. Sittings of one stage that overlap are told apart by `concept:instance`. Of our own are, without a prefix:
`job_type` of a trace; of an event that begins a sitting `machine`, `hands_on_min` where somebody was beside it for a
part only, and the drivers, with the first of them; `interruption` of a suspend, where the time until it is resumed was
clocked as one.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from xml.sax.saxutils import quoteattr

from jobs.exporting.sittings import JobTimes, Sitting, StageTimes

EXTENSIONS = (("Concept", "concept"), ("Time", "time"), ("Organizational", "org"), ("Lifecycle", "lifecycle"))
_ILLEGAL = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""What no XML 1.0 document may hold."""


@dataclass
class Instance:
    """Sittings of a stage, one after the other. paused: places of those behind which an interruption was clocked."""

    sittings: list[Sitting] = field(default_factory=list)
    paused: set[int] = field(default_factory=set)

    def takes(self, sitting: Sitting) -> bool:
        """Whether the sitting comes behind all that it has."""
        return not self.sittings or self.sittings[-1].finished_at <= sitting.started_at

    def pause(self, rest: Sitting) -> bool:
        """Keep a pause, if it lies just between two of its sittings; whether it does."""
        for i in range(len(self.sittings) - 1):
            ends, begins = self.sittings[i].finished_at, self.sittings[i + 1].started_at
            if (ends, begins) == (rest.started_at, rest.finished_at):
                self.paused.add(i)
                return True
        return False


@dataclass(frozen=True)
class Event:
    """One event of a trace. attributes: key to value, whose type says the XES one."""

    at: datetime
    attributes: Mapping[str, str | float | bool | datetime]


def xes_chunks(jobs: Iterable[JobTimes], name: str) -> Iterator[bytes]:
    """The log, a trace at a time. name: of the log."""
    yield _head(name).encode()
    for job in jobs:
        yield _trace(job).encode()
    yield b"</log>\n"


def _head(name: str) -> str:
    extensions = "".join(
        f'  <extension name="{long}" prefix="{prefix}" uri="http://www.xes-standard.org/{prefix}.xesext"/>\n'
        for long, prefix in EXTENSIONS
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<log xes.version="1849-2016" xes.features="" xmlns="http://www.xes-standard.org/">\n'
        f"{extensions}"
        '  <global scope="trace">\n'
        '    <string key="concept:name" value=""/>\n    <string key="job_type" value=""/>\n  </global>\n'
        '  <global scope="event">\n'
        '    <string key="concept:name" value=""/>\n    <string key="concept:instance" value="1"/>\n'
        '    <string key="lifecycle:transition" value="complete"/>\n'
        '    <date key="time:timestamp" value="1970-01-01T00:00:00+00:00"/>\n  </global>\n'
        '  <classifier name="Stage" keys="concept:name"/>\n'
        '  <classifier name="Stage and transition" keys="concept:name lifecycle:transition"/>\n'
        '  <classifier name="Person" keys="org:resource"/>\n'
        f"  {attribute('concept:name', name)}\n"
        f"  {attribute('lifecycle:model', 'standard')}\n"
    )


def _trace(job: JobTimes) -> str:
    events = [event for stage in job.stages for event in stage_events(stage)]
    events.sort(key=lambda event: event.at)
    lines = [
        f"    {attribute(key, text)}\n"
        for key, text in (("concept:name", job.name), ("job_type", job.job_type))
    ]
    for event in events:
        inside = "".join(attribute(key, value) for key, value in event.attributes.items())
        lines.append(f"    <event>{inside}</event>\n")
    return f"  <trace>\n{''.join(lines)}  </trace>\n"


def stage_events(stage: StageTimes) -> Iterator[Event]:
    """The events of a stage, those of each instance in order."""
    for number, instance in enumerate(instances_of(stage.sittings), start=1):
        common = {"concept:name": stage.name, "concept:instance": str(number)}
        last = len(instance.sittings) - 1
        for i, sitting in enumerate(instance.sittings):
            begins = {**common, "lifecycle:transition": "resume" if i else "start"}
            drivers = {} if i else stage.drivers
            at = sitting.started_at
            yield Event(at, {**begins, "time:timestamp": at, **_own(sitting), **drivers})
            at = sitting.finished_at
            ends = {**common, "lifecycle:transition": "complete" if i == last else "suspend"}
            paused = {"interruption": True} if i in instance.paused else {}
            yield Event(at, {**ends, "time:timestamp": at, **paused})


def instances_of(sittings: Sequence[Sitting]) -> list[Instance]:
    """The sittings of a stage as runs without overlap, each as long as can be; pauses lie between their sittings."""
    instances: list[Instance] = []
    for sitting in sittings:
        if not sitting.is_pause:
            _into(instances, sitting)
    alone: list[Instance] = []
    for sitting in sittings:
        if sitting.is_pause and not any(instance.pause(sitting) for instance in instances):
            _into(alone, sitting)
    return instances + alone


def _into(instances: list[Instance], sitting: Sitting) -> None:
    mine = next((instance for instance in instances if instance.takes(sitting)), None)
    if mine is None:
        mine = Instance()
        instances.append(mine)
    mine.sittings.append(sitting)


def _own(sitting: Sitting) -> dict[str, str | float]:
    own: dict[str, str | float] = {}
    if sitting.person:
        own["org:resource"] = sitting.person
    if sitting.machine:
        own["machine"] = sitting.machine
    if sitting.hands_on_min is not None:
        own["hands_on_min"] = sitting.hands_on_min
    return own


def attribute(key: str, value: str | float | bool | datetime) -> str:
    """An attribute of the type that its value has: boolean, float, date (xs:dateTime) or string."""
    if isinstance(value, bool):
        kind, text = "boolean", str(value).lower()
    elif isinstance(value, int | float):
        kind, text = "float", repr(float(value))
    elif isinstance(value, datetime):
        kind, text = "date", value.isoformat()
    else:
        kind, text = "string", _ILLEGAL.sub("", value)
    return f"<{kind} key={quoteattr(_ILLEGAL.sub('', key))} value={quoteattr(text)}/>"
