"""Work done again: which stages it takes in, and which of their minutes."""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from jobs.clock.results import Span


def affected(noticed: int, back_to: int, follows: Mapping[int, Collection[int]]) -> set[int]:
    """`back_to`, and what lies on the ways from it to `noticed`, if any leads there, with `noticed` itself."""
    before: dict[int, list[int]] = {}
    for one, later in follows.items():
        for key in later:
            before.setdefault(key, []).append(one)
    return {back_to} | (_reached(back_to, follows) & _reached(noticed, before))


def _reached(key: int, ways: Mapping[int, Collection[int]]) -> set[int]:
    found, ahead = {key}, deque([key])
    while ahead:
        for one in ways.get(ahead.popleft(), ()):
            if one not in found:
                found.add(one)
                ahead.append(one)
    return found


@dataclass
class Redone:
    """From when to when one stage's minutes are of work done again; the last time may still last."""

    times: list[tuple[datetime, datetime | None]] = field(default_factory=list)

    def begin(self, at: datetime) -> None:
        """Its work is done again from `at` on."""
        if not self.times:
            self.times.append((at, None))
        elif not self.lasts:  # a recorded sitting may have put the finish ahead
            self.times.append((max(at, self.times[-1][1] or at), None))

    def end(self, at: datetime) -> None:
        """It is finished, at or after the last beginning."""
        if self.lasts:
            begun = self.times.pop()[0]
            if at > begun:
                self.times.append((begun, at))

    @property
    def lasts(self) -> bool:
        """Whether the work that is done again is not finished."""
        return bool(self.times) and self.times[-1][1] is None


def divided(
    spans: Iterable[Span], redone: Mapping[int, Sequence[tuple[datetime, datetime | None]]]
) -> Iterator[Span]:
    """The spans, cut wherever work begins or ends to be done again on their stage, and marked where it is."""
    for span in spans:
        times = redone.get(span.stage)
        if not times:
            yield span
            continue
        cuts = [instant for time in times for instant in time if instant is not None]
        inner = sorted({at for at in cuts if at > span.starts and (span.ends is None or at < span.ends)})
        for starts, ends in zip([span.starts, *inner], [*inner, span.ends], strict=True):
            # The cuts take turns: after an odd number of them the work is done again.
            marked = bisect_right(cuts, starts) % 2 == 1
            yield replace(span, starts=starts, ends=ends, again=marked)
