"""The route editor's draft: what is on the page, changed step by step, and written only when saved.

Every press sends the whole draft, so the editor works without a script and loses nothing that was typed.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from jobs.forms.fields import wait_words
from jobs.models import EdgeKind, JobType, Needed, RouteEdge, StageKind
from jobs.routes import Link, active_edges
from jobs.services.routes import MOST_STAGES, NewEdge, NewStage
from shop.errors import BadInput

LONGEST_LAG_MIN = 60 * 24 * 60
MOST_SLOTS = 12


@dataclass(frozen=True)
class After:
    """One 'after which stage' of a row: the key of that row, the moment, and minutes that pass between."""

    key: str
    moment: EdgeKind = EdgeKind.FINISH
    lag: str = ""


@dataclass(frozen=True)
class Row:
    """One stage on the page. key: names the row while the page is worked on."""

    key: str
    kind: StageKind
    name: str = ""
    needed: Needed = Needed.ALWAYS
    after: tuple[After, ...] = ()

    @property
    def label(self) -> str:
        """What it is called on pages."""
        return self.name or self.kind.name

    @property
    def is_new(self) -> bool:
        """Whether it was put in on the page and not saved yet."""
        return self.key.startswith("new")

    @property
    def slots(self) -> tuple[After, ...]:
        """The row's 'after' lines, and an empty one to add another."""
        return (*self.after, After(""))


@dataclass(frozen=True)
class _Kept:
    pk: int
    left_out: bool = False


@dataclass
class RouteDraft:
    """A route on the page."""

    rows: list[Row] = field(default_factory=list)

    @classmethod
    def of_job_type(cls, job_type: JobType) -> RouteDraft:
        """The route as it is kept."""
        after: dict[int, list[After]] = {}
        for edge in RouteEdge.objects.filter(before__job_type=job_type).order_by("before__position"):
            lag = str(edge.lag_min) if edge.lag_min else ""
            after.setdefault(edge.after_id, []).append(After(str(edge.before_id), EdgeKind(edge.kind), lag))
        return cls(
            [
                Row(str(node.pk), node.kind, node.name, Needed(node.needed), tuple(after.get(node.pk, ())))
                for node in job_type.route.select_related("kind")
            ]
        )

    @classmethod
    def of_post(cls, data: Mapping[str, str], kinds: Sequence[StageKind]) -> RouteDraft:
        """The route as the page sent it. Raises BadInput for what no page of ours sends."""
        by_pk = {str(kind.pk): kind for kind in kinds}
        count = data.get("stages", "0")
        if not count.isdecimal() or int(count) > MOST_STAGES:
            raise BadInput(f"A route has at most {MOST_STAGES} stages.", field="stages")
        rows = []
        for i in range(int(count)):
            kind = by_pk.get(data.get(f"stage-{i}-kind", ""))
            if kind is None:
                raise BadInput(f"Stage {i + 1} is of a kind that this shop does not have.", field="kind")
            needed = data.get(f"stage-{i}-needed", Needed.ALWAYS)
            rows.append(
                Row(
                    key=data.get(f"stage-{i}-key", f"row{i}")[:20],
                    kind=kind,
                    name=" ".join(data.get(f"stage-{i}-name", "").split())[:80],
                    needed=Needed(needed) if needed in Needed.values else Needed.ALWAYS,
                    after=_after_of_post(data, i),
                )
            )
        return cls(rows)

    def press(self, data: Mapping[str, str], kinds: Sequence[StageKind]) -> bool:
        """Do what was pressed, if it was a press that only changes the draft: add, up, down or remove."""
        for name, act in (("up", self._up), ("down", self._down), ("remove", self._remove)):
            if name in data:
                index = data[name]
                if index.isdecimal() and int(index) < len(self.rows):
                    act(int(index))
                return True
        if "add" in data:
            kind = next((kind for kind in kinds if str(kind.pk) == data.get("add-kind")), None)
            if kind is None:
                raise BadInput("Choose the kind of stage to add.", field="add-kind")
            self.add(kind, data.get("add-after", ""))
            return True
        return False

    def add(self, kind: StageKind, after: str = "") -> Row:
        """Put a stage behind the row of key `after` (what followed it then follows the new one), or first of all."""
        if len(self.rows) >= MOST_STAGES:
            raise BadInput(f"A route has at most {MOST_STAGES} stages.", field="add-kind")
        labels = {row.label for row in self.rows}
        names = (kind.name, *(f"{kind.name} {n}" for n in range(2, MOST_STAGES + 2)))
        name = next(name for name in names if name not in labels)
        keys = {row.key for row in self.rows}
        key = next(key for key in (f"new{n}" for n in range(MOST_STAGES + 1)) if key not in keys)
        place = next((i + 1 for i, row in enumerate(self.rows) if row.key == after), None)
        before = (After(after),) if place is not None else ()
        new = Row(key, kind, "" if name == kind.name else name, after=before)
        for i, row in enumerate(self.rows):
            moved = tuple(
                dataclasses.replace(a, key=key) if (a.key, a.moment) == (after, EdgeKind.FINISH) else a
                for a in row.after
            )
            self.rows[i] = dataclasses.replace(row, after=moved)
        self.rows.insert(len(self.rows) if place is None else place, new)
        return new

    @property
    def described(self) -> list[tuple[Row, str]]:
        """Each row, and in words what it waits for and when it is needed."""
        labels = {row.key: row.label for row in self.rows}
        described = []
        for row in self.rows:
            waits = [wait_words(labels[a.key], a.moment) for a in row.after if a.key in labels]
            words = [" and ".join(waits) or "may begin at once"]
            if row.needed != Needed.ALWAYS:
                words.append(row.needed.label.lower())
            described.append((row, "; ".join(words)))
        return described

    def links(self) -> list[Link]:
        """The arrows by the rows' places, those from rows that are gone left out."""
        place = {row.key: i for i, row in enumerate(self.rows)}
        return [
            Link(place[a.key], i, a.moment, _minutes(a.lag, row.label))
            for i, row in enumerate(self.rows)
            for a in row.after
            if a.key in place
        ]

    def to_write(self) -> tuple[list[NewStage], list[NewEdge]]:
        """Stages and arrows for `route_replace`. Raises BadInput for minutes that are none."""
        stages = [NewStage(row.kind, row.name, row.needed) for row in self.rows]
        edges = [
            NewEdge(link.before_id, link.after_id, EdgeKind(link.kind), link.lag_min) for link in self.links()
        ]
        return stages, edges

    def _up(self, index: int) -> None:
        if index > 0:
            self.rows[index - 1], self.rows[index] = self.rows[index], self.rows[index - 1]

    def _down(self, index: int) -> None:
        if index < len(self.rows) - 1:
            self._up(index + 1)

    def _remove(self, index: int) -> None:
        """Take a row out; what waited for it waits for what it waited for."""
        stages = [_Kept(i, i == index) for i in range(len(self.rows))]
        links = active_edges(stages, self.links())
        keys = [row.key for row in self.rows]
        for i, row in enumerate(self.rows):
            after = tuple(
                After(keys[link.before_id], EdgeKind(link.kind), str(link.lag_min or ""))
                for link in links
                if link.after_id == i
            )
            self.rows[i] = dataclasses.replace(row, after=after)
        del self.rows[index]


def _after_of_post(data: Mapping[str, str], i: int) -> tuple[After, ...]:
    found = []
    for j in range(MOST_SLOTS):
        key = data.get(f"stage-{i}-after-{j}", "")
        moment = data.get(f"stage-{i}-moment-{j}", "")
        if key:
            lag = data.get(f"stage-{i}-lag-{j}", "").strip()
            kind = EdgeKind(moment) if moment in EdgeKind.values else EdgeKind.FINISH
            found.append(After(key[:20], kind, lag[:12]))
    return tuple(found)


def _minutes(text: str, label: str) -> int:
    """Whole minutes of a lag; empty is none."""
    if not text:
        return 0
    if not text.isdecimal() or int(text) > LONGEST_LAG_MIN:
        raise BadInput(
            f"{label}: “{text}” is no number of minutes to wait. Give a whole number from 0 to "
            f"{LONGEST_LAG_MIN}, or leave it empty.",
            field="lag",
        )
    return int(text)
