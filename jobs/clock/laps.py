"""Laps: the elements of a stage, between the breakpoints that somebody pressed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from jobs.clock.events import Event
from jobs.clock.results import LapSpan


@dataclass
class Breakpoints:
    """The breakpoints of one stage as its sitting goes on.

    since: the last one; None while no sitting lasts. running: since when it has run without a pause.
    ran: how long it ran from the last breakpoint until `running`.
    """

    since: datetime | None = None
    running: datetime | None = None
    ran: timedelta = timedelta(0)
    pressed: bool = False

    def run(self, at: datetime) -> None:
        """The stage runs from `at` on: a sitting begins, or goes on after a pause."""
        if self.since is None:
            self.since, self.ran, self.pressed = at, timedelta(0), False
        if self.running is None:
            self.running = at

    def rest(self, at: datetime) -> None:
        """The stage pauses."""
        if self.running is not None:
            self.ran += at - self.running
            self.running = None

    def press(self, event: Event) -> LapSpan | None:
        """A lap ends and the next begins; None where no sitting lasts, or nothing ran since the last breakpoint."""
        if self.since is None:
            return None
        runs = self.running is not None
        self.rest(event.at)
        starts, seconds = self.since, self.ran.total_seconds()
        self.since, self.ran, self.pressed = event.at, timedelta(0), True
        if runs:
            self.running = event.at
        if not seconds:
            return None
        return LapSpan(event.stage, starts, event.at, seconds, event.element, event.person)

    def end(self, event: Event) -> LapSpan | None:
        """The sitting ends, and with it the last lap where there were any, or where it is said which it was."""
        lap = self.press(event) if self.pressed or event.element is not None else None
        self.since = self.running = None
        self.pressed = False
        return lap
