"""The stages that a log is about: those of its jobs, found or made, with their drivers."""

from __future__ import annotations

import itertools
import uuid
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from collections.abc import Set as AbstractSet

from jobs.importing.sittings import Sitting, Value, stage_values
from jobs.importing.vocabulary import Vocabulary
from jobs.models import (
    ClockEvent,
    ImportDraft,
    ImportedStage,
    Job,
    Stage,
    StageEdge,
    StageKind,
    TapKind,
)
from jobs.services.clock_reach import chunks
from shop.models import Shop

BATCH = 2000

StageKey = tuple[str, str]
"""The texts of the job and of the stage."""


def stages_write(
    shop: Shop,
    words: Vocabulary,
    jobs: Mapping[str, Job],
    sittings: Sequence[Sitting],
    ids: Sequence[uuid.UUID],
    known: AbstractSet[uuid.UUID],
    record: ImportDraft,
) -> dict[StageKey, Stage]:
    """The stages of these rows, which are all the log's of their jobs; the record is told what became of each.

    New ones are chained behind those that their job has, in the order of their first start. A stage that was there
    gets its drivers from this file alone if the file holds all that was imported of it; otherwise the file's new
    values are taken together with the stage's own, as if those were one more row.
    """
    rows: dict[StageKey, list[int]] = defaultdict(list)
    for i in sorted(range(len(sittings)), key=lambda i: sittings[i].started_at):
        rows[sittings[i].job, sittings[i].stage].append(i)
    book = StageBook(shop, record, {job for job, _ in rows}, jobs)
    found: dict[StageKey, Stage] = {}
    for key, places in rows.items():
        here = [sittings[i] for i in places]
        stage = book.find(jobs[key[0]], words.kinds[key[1]])
        if stage is None:
            stage = book.add(jobs[key[0]], words.kinds[key[1]], stage_values(here))
        elif new := [sittings[i] for i in places if ids[i] not in known]:
            whole = stage.pk is not None and book.events.get(stage.pk, set()) <= {ids[i] for i in places}
            book.change(
                stage, {**stage.drivers, **stage_values(here)} if whole else joined(stage.drivers, new)
            )
        found[key] = stage
    book.save()
    return found


class StageBook:
    """The stages of a few of the shop's imported jobs, and what is to be written of them."""

    def __init__(
        self, shop: Shop, record: ImportDraft, names: Collection[str], jobs: Mapping[str, Job]
    ) -> None:
        self.shop, self.record = shop, record
        self.fresh: list[Stage] = []
        self.marks: dict[int, ImportedStage] = {}
        self.events: dict[int | None, set[uuid.UUID]] = defaultdict(set)
        self._changed: list[Stage] = []
        self._lines: dict[int, list[Stage]] = defaultdict(list)
        self._by_kind: dict[tuple[int, int], Stage] = {}
        keys = sorted(jobs[name].pk for name in names)
        for some in chunks(keys):
            for stage in Stage.objects.of(shop).filter(job__in=some).order_by("position", "pk"):
                self._enter(stage)
            sittings = ClockEvent.objects.of(shop).filter(kind=TapKind.SITTING, stage__job__in=some)
            for stage_id, event_id in sittings.values_list("stage_id", "pk"):
                self.events[stage_id].add(event_id)

    def find(self, job: Job, kind: StageKind) -> Stage | None:
        """The job's first stage of this kind."""
        return self._by_kind.get((job.pk, kind.pk))

    def add(self, job: Job, kind: StageKind, drivers: dict[str, Value]) -> Stage:
        """A new stage at the end of the job's line."""
        line = self._lines[job.pk]
        position = line[-1].position + 1 if line else 0
        stage = Stage(shop=self.shop, job=job, kind=kind, name=kind.name, position=position, drivers=drivers)
        self._enter(stage)
        self.fresh.append(stage)
        self._mark(stage, {}, is_new=True)
        return stage

    def change(self, stage: Stage, drivers: dict[str, Value]) -> None:
        """Give a stage other drivers."""
        before, stage.drivers = stage.drivers, drivers
        if stage.pk is not None:
            self._changed.append(stage)
            self._mark(stage, before, is_new=False)

    def save(self) -> None:
        """Write the new stages with their arrows, and the changed drivers."""
        new = set(map(id, self.fresh))
        Stage.objects.bulk_create(self.fresh, batch_size=BATCH)
        Stage.objects.bulk_update(self._changed, ["drivers"], batch_size=BATCH)
        pairs = (pair for line in self._lines.values() for pair in itertools.pairwise(line))
        arrows = [StageEdge(shop=self.shop, before=a, after=b) for a, b in pairs if id(b) in new]
        StageEdge.objects.bulk_create(arrows, batch_size=BATCH)
        for mark in self.marks.values():
            mark.stage_id, mark.after = mark.stage.pk, mark.stage.drivers
        ImportedStage.objects.bulk_create(self.marks.values(), batch_size=BATCH)

    def _mark(self, stage: Stage, before: dict[str, Value], *, is_new: bool) -> None:
        mark = ImportedStage(shop=self.shop, imported=self.record, stage=stage, is_new=is_new, before=before)
        self.marks.setdefault(id(stage), mark)

    def _enter(self, stage: Stage) -> None:
        self._lines[stage.job_id].append(stage)
        self._by_kind.setdefault((stage.job_id, stage.kind_id), stage)


def joined(own: Mapping[str, Value], sittings: Sequence[Sitting]) -> dict[str, Value]:
    """A stage's drivers with those of more sittings: its own count as one more row's."""
    first = sittings[0]
    row = Sitting(
        "", first.job, first.job_type, first.stage, first.started_at, first.finished_at, drivers=own
    )
    return stage_values([row, *sittings])
