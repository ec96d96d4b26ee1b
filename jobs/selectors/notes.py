"""What is said beside the work on a job: what its machines need before they run, and what was set the last time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from jobs.models import Job, JobStatus, Stage, StageState
from jobs.selectors.ready import MachineState, due
from jobs.selectors.recipes import LastTime, last_times, machines_for, recipes_by_film, set_machines
from shop.models import Machine, Media, Shop

OVER = (JobStatus.FINISHED, JobStatus.CANCELLED)


@dataclass(frozen=True)
class WorkNotes:
    """due: machines that an unfinished stage may use and that something is due at. film: None where none is chosen.

    recipes: the last ones for this film, on machines of finished stages too, for what worked is recorded after the
    work; without: machines that have none for it.
    """

    due: Sequence[MachineState] = ()
    film: Media | None = None
    recipes: Sequence[LastTime] = ()
    without: Sequence[Machine] = ()


def work_notes(shop: Shop, job: Job, now: datetime, stage: Stage | None = None) -> WorkNotes:
    """The notes for a job, or for one `stage` of it; none for a job that is over."""
    if job.status in OVER:
        return WorkNotes()
    machines = list(Machine.objects.of(shop).filter(active=True).prefetch_related("processes"))
    ahead = [one for one in ([stage] if stage else job.stages.all()) if one.state != StageState.FINISHED]
    needed = machines_for(job, machines, ahead)
    states = due(shop, now, [machine.pk for machine in needed]) if needed else []
    if job.media is None:
        return WorkNotes(states)
    settable = set_machines(job, machines, stage)
    found = last_times(job, settable, recipes_by_film(shop, [job.media_id]))
    known = {one.machine.pk for one in found}
    return WorkNotes(states, job.media, found, [one for one in settable if one.pk not in known])
