"""The futures that this process has drawn of late: who asks the same again goes on from those that are there.

So the pages of one job's date say the same of it, a date that is given need not be drawn again, and of two people who
ask at once one waits for the other. Another process draws the same futures anew: an answer hangs on the book, the seed
and their number alone.
"""

from __future__ import annotations

import os
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from threading import Lock
from time import monotonic

from analytics.engine.booked import Book
from analytics.engine.running_total import Futures, RunningTotal
from analytics.engine.sampling import BLOCK

THREADS = min(2, os.cpu_count() or 1)
WITHIN = 15.0
"""Working minutes to which a date is known if the time allows: half the width of its 95 % interval."""
MOST = 6000
"""Futures at the most, where nobody asks for more."""
FINEST = 24_000
"""Futures at the most."""
BUDGET = 0.18
"""Seconds after which no more futures are drawn for a page, however exact its date is by then."""
EXACTLY = 4.0
"""Seconds for a date that is to be worked out more exactly at once."""

KEPT = 6
"""Books of which the futures are kept: what lies ready of 200 open jobs takes about ten megabytes."""


@dataclass(frozen=True)
class Wish:
    """How exact an answer is to be. within: working minutes. at_least, most: futures. go_on: asked now and then."""

    within: float = WITHIN
    at_least: int = 0
    most: int = MOST
    go_on: Callable[[], bool] = lambda: True


def for_seconds(seconds: float) -> Callable[[], bool]:
    """Says whether so many seconds from now are not over yet."""
    until = monotonic() + seconds
    return lambda: monotonic() < until


@dataclass(eq=False)
class _Kept:
    """Whoever reads `total` holds `lock`."""

    book: Book
    seed: int
    level: float
    lock: Lock = field(default_factory=Lock)

    @cached_property
    def total(self) -> RunningTotal:
        return RunningTotal(self.book, seed=self.seed, most=FINEST, level=self.level, threads=THREADS)


_kept: OrderedDict[tuple[str, int, float], _Kept] = OrderedDict()
_lock = Lock()


def futures_kept(book: Book, *, seed: int, level: float, wish: Wish) -> Futures:
    """The futures of a book that are here, and more until the wish is met. Raises as `book.run` does."""
    kept = _of(book, seed, level)
    with kept.lock:
        total = kept.total
        total.add(-(-min(wish.at_least, FINEST) // BLOCK) - len(total.blocks))
        total.reach(wish.within, lambda: total.runs < wish.most and wish.go_on())
        return total.futures()


def first_futures(book: Book, *, seed: int, level: float, runs: int) -> Futures:
    """The first `runs` futures of a book, in whole blocks, drawn if they are not here. Raises as `book.run` does."""
    if runs % BLOCK or not 0 < runs <= FINEST:
        raise ValueError(f"{runs} futures are no number of blocks of {BLOCK}.")
    kept = _of(book, seed, level)
    with kept.lock:
        kept.total.add(runs // BLOCK - len(kept.total.blocks))
        return kept.total.futures(runs)


def _of(book: Book, seed: int, level: float) -> _Kept:
    key = book.digest, seed, level
    with _lock:
        kept = _kept.setdefault(key, _Kept(book, seed, level))
        _kept.move_to_end(key)
        while len(_kept) > KEPT:
            _kept.popitem(last=False)
        return kept
