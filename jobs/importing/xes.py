"""XES event logs (IEEE Std 1849): traces of events with a life cycle become sittings.

A trace is a job: its `concept:name` the job, its `job_type` the job type (else the log's `concept:name`, else
'Imported'). An event's `concept:name` is the stage, `org:resource` the person, `machine` the machine,
`concept:instance` tells apart the runs of one stage. By the standard life cycle (`lifecycle:transition`) a sitting
begins at `start` or `resume` and ends at `suspend`, `complete` or an abort; suspend follows only work in progress,
resume only suspended work. Number attributes of the trace and of the event that begins a sitting are columns;
so are text attributes that are not of a standard extension. Where a suspend has the boolean `interruption`, the time
until it is resumed was clocked as one, and is kept as a sitting without hands-on minutes.
"""

from __future__ import annotations

import io
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from xml.etree.ElementTree import Element, ParseError

from defusedxml.common import DefusedXmlException
from defusedxml.ElementTree import iterparse

from jobs.importing.problems import BadFile, Problem
from jobs.importing.table import FIXED, RawRow, Table, canonical, table_of

VALUES = ("string", "date", "int", "float", "boolean", "id")
BEGINS = {"start": "", "resume": "suspended"}
ENDS = {"suspend": "suspended", "complete": "", "ate_abort": "", "pi_abort": ""}
UNNAMED_TYPE = "Imported"
_OF_EVENT = ("machine", "hands_on_min")
"""Columns of the contract that an event may have as attributes of that name; the others come from the standard's."""


@dataclass
class Activity:
    """One stage of one trace, as far as its events have been read."""

    state: str = ""  # '', 'running' or 'suspended'
    place: str = ""
    begun: dict[str, str] = field(default_factory=dict)
    interrupted: str = ""  # since when, where its suspension was clocked as an interruption

    def pause(self, place: str, facts: dict[str, str], until: str) -> RawRow | None:
        """The interruption that ends where it is resumed, if one was clocked: a sitting with nobody at it."""
        since, self.interrupted = self.interrupted, ""
        rest = {**facts, "started_at": since, "finished_at": until, "hands_on_min": "0"}
        return RawRow(place, rest) if since else None


def read_xes(content: bytes, *, most: int | None = None) -> Table:
    """The sittings of a log. Raises BadFile for what is no XES, and for a log in which nothing has a beginning.

    most: sittings that it may have.
    """
    made: list[RawRow | Problem] = []
    transitions: set[str] = set()
    try:
        for number, (log_name, trace) in enumerate(_traces(content), start=1):
            made.extend(_sittings(trace, number, log_name, transitions))
            if most is not None and len(made) > most:
                raise BadFile(
                    f"The log has more than {most:,} sittings. Split it, or bring it in with the command "
                    "`manage.py import_timings FILE`."
                )
    except (ParseError, DefusedXmlException, LookupError, ValueError) as error:
        # The last two are of an encoding that the parser does not know.
        raise BadFile(f"This is not an XES log that can be read ({error}).") from error
    if not transitions & set(BEGINS):
        raise BadFile(
            "No event of this log has the lifecycle:transition 'start', so nothing says how long a stage took. "
            "Export the log with start and complete events."
        )
    columns = dict.fromkeys(FIXED)
    columns.update(dict.fromkeys(c for row in made if isinstance(row, RawRow) for c in row.values))
    return table_of(tuple(columns), made)


def _traces(content: bytes) -> Iterator[tuple[str, Element]]:
    """Each trace with the log's own name, one at a time."""
    log: Element | None = None
    for event, element in iterparse(io.BytesIO(content), events=("start", "end")):
        name = _local(element)
        if log is None:
            log = element
            if name != "log":
                raise BadFile(f"This is not an XES log: its outermost element is <{name}>, not <log>.")
        if event == "end" and name == "trace":
            yield _attributes(log).get("concept:name", ""), element
            element.clear()
            log.remove(element)


def _sittings(trace: Element, number: int, log_name: str, seen: set[str]) -> Iterator[RawRow | Problem]:
    facts = _attributes(trace)
    job = facts.get("concept:name", "")
    whole = {
        **_columns(facts),
        "job": job,
        "job_type": facts.get("job_type", "") or log_name or UNNAMED_TYPE,
    }
    open_now: dict[tuple[str, str], Activity] = {}
    label = f"trace {number} ({job})" if job else f"trace {number}"
    events = [child for child in trace if _local(child) == "event"]
    for position, event in enumerate(events, start=1):
        attributes = _attributes(event)
        transition = attributes.get("lifecycle:transition", "complete").lower()
        seen.add(transition)
        key = (attributes.get("concept:name", ""), attributes.get("concept:instance", ""))
        made = _step(
            open_now.setdefault(key, Activity()), transition, attributes, whole, f"{label}, event {position}"
        )
        if made is not None:
            yield made
    for (stage, _), activity in open_now.items():
        if activity.state == "running":
            yield Problem(activity.place, f"{stage} was begun here and never completed or suspended.")


def _step(
    activity: Activity, transition: str, event: dict[str, str], whole: dict[str, str], place: str
) -> RawRow | Problem | None:
    """Take one event of an activity; the sitting that it ends, if any."""
    stage, at = event.get("concept:name", ""), event.get("time:timestamp", "")
    if transition in BEGINS:
        if activity.state != BEGINS[transition]:
            return Problem(place, f"{transition} of {stage}, which is {activity.state or 'not suspended'}.")
        own = {
            "stage": stage,
            "started_at": at,
            "person": event.get("org:resource", ""),
        }
        pause = activity.pause(place, {**whole, "stage": stage}, at)
        activity.state, activity.place = "running", place
        activity.begun = {**whole, **_columns(event, _OF_EVENT), **own}
        return pause
    if transition in ENDS:
        if activity.state != "running":
            return Problem(place, f"{transition} of {stage}, which is {activity.state or 'not started'}.")
        activity.state = ENDS[transition]
        activity.interrupted = at if event.get("interruption") == "true" and activity.state else ""
        return RawRow(activity.place, {**activity.begun, "finished_at": at})
    return None  # schedule, assign, withdraw …: nobody is at it


def _columns(attributes: dict[str, str], fixed: Collection[str] = ()) -> dict[str, str]:
    """The attributes that are of no standard extension, as columns. fixed: those of the contract that may be there."""
    named = {canonical(key): value for key, value in attributes.items() if ":" not in key}
    return {name: value for name, value in named.items() if name not in FIXED or name in fixed}


def _attributes(element: Element) -> dict[str, str]:
    return {
        child.get("key", ""): (child.get("value") or "").strip()
        for child in element
        if _local(child) in VALUES
    }


def _local(element: Element) -> str:
    """The element's name without its namespace."""
    return str(element.tag).rpartition("}")[2]
