"""What the page of forecasts shows of each way to group them: two pictures over one list of groups. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analytics.engine.backtest import LEVELS
from analytics.engine.quality import Coverage, ErrorRatio
from analytics.pictures.forecasts import RowsPicture, Span, highest, lowest, rows_picture
from analytics.selectors.forecast_quality import ForecastQuality, Group
from analytics.words.forecasts import TIMES, say_share

AGAINST = ("mean and a quarter", "past's own times", "own estimate")
"""What the error is held against, in the order of a group's errors."""
MONTHS = 24
"""So many of the last months are shown."""


@dataclass(frozen=True)
class Line:
    """A group's line in the two tables: each figure with the head of its column."""

    group: Group
    coverage: list[tuple[str, Coverage]]
    errors: list[tuple[str, ErrorRatio | None]]


@dataclass(frozen=True)
class Section:
    """One way to group the cases, with its pictures. noun: what a group is. errors is None where there are none.

    against: what the error is held against here: the heads of its columns.
    """

    key: str
    title: str
    noun: str
    groups: list[Group]
    coverage: RowsPicture
    errors: RowsPicture | None
    against: list[str]

    @property
    def lines(self) -> list[Line]:
        """The groups for the tables."""
        places = [AGAINST.index(word) for word in self.against]
        return [
            Line(
                group,
                [(TIMES[one.level], one) for one in group.coverage],
                [(AGAINST[k], group.errors[k]) for k in places],
            )
            for group in self.groups
        ]

    @property
    def odd(self) -> list[Group]:
        """The groups that were within their eight-in-ten time less often than chance explains."""
        return [group for group in self.groups[1:] if group.coverage[1].verdict == "below"]


def sections(found: ForecastQuality) -> list[Section]:
    """By stage, by job type, by month: those that have more than one group; by month where none has."""
    kinds = [
        ("kind", "By stage", "Stage", found.by_kind),
        ("type", "By job type", "Job type", found.by_type),
        ("month", "Month by month", "Month", found.by_month[-MONTHS:]),
    ]
    shown = [kind for kind in kinds if len(kind[3]) > 1] or kinds[-1:]
    return [_section(key, title, noun, [found.every, *groups]) for key, title, noun, groups in shown]


def _section(key: str, title: str, noun: str, groups: list[Group]) -> Section:
    covered = [(_name(group), [_coverage(group, one) for one in group.coverage]) for group in groups]
    held = [k for k in range(len(AGAINST)) if any(group.errors[k] for group in groups)]
    errors = [(_name(group), [_error(group, k) for k in held]) for group in groups]
    lines = [(level, say_share(level)) for level in LEVELS]
    return Section(
        key=key,
        title=title,
        noun=noun,
        groups=groups,
        coverage=rows_picture(covered, lines, lowest(covered, 0.4), 1.0),
        errors=_errors(errors) if held else None,
        against=[AGAINST[k] for k in held],
    )


def _errors(groups: Sequence[tuple[str, Sequence[Span | None]]]) -> RowsPicture:
    return rows_picture(groups, [(1.0, "as large")], 0.0, highest(groups, 1.2, 2.0))


def _name(group: Group) -> str:
    return f"{group.name} ({group.n})"


def _coverage(group: Group, one: Coverage) -> Span:
    title = f"{group.name}: {one.hits} of {one.n} within the {TIMES[one.level]} time, {say_share(one.share)}"
    return Span(one.share, one.low, one.high, one.verdict in ("below", "above"), title)


def _error(group: Group, place: int) -> Span | None:
    ratio: ErrorRatio | None = group.errors[place]
    if ratio is None:
        return None
    title = f"{group.name}: {say_share(ratio.ratio)} of the error of the {AGAINST[place]}"
    return Span(ratio.ratio, ratio.low, ratio.high, ratio.low > 1.0, title)
