"""Where a job that is asked about comes in the queue: where its own date will put it.

Ranked last of all it would wait for every job with a later date, and for all that comes in meanwhile, though once it
is promised it takes its turn by its date. So its date is worked out with that very date as its turn. That date is not
known beforehand: it is come near to in passes, from the last place, which does the least harm to the others.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analytics.engine.booked import Book, with_turn
from analytics.engine.futures import Layout
from analytics.engine.later import Coming
from analytics.engine.sampling import BLOCK

Floats = NDArray[np.float64]

PASSES = 2
"""Looks before the one that counts: the first from the last place and without later work."""


RUNS = BLOCK // 2
"""Futures of a look: they set a place in the queue, not a date."""


def placed(
    book: Book, level: float, *, seed: int, shortest: float = 0.0, passes: int = PASSES, threads: int = 1
) -> Book:
    """The book with the asked job's turn at its own date, and with the later work that can bear on it.

    level: where its date is read off. shortest: minutes; hardly any later job has less from its coming in to its
    date, so that what comes in after the date less these takes its turn behind. A job with a turn keeps it.
    Raises as `book.run` does.
    """
    if book.target < 0:
        return book
    own = book.jobs[book.target].turn
    here, coming = replace(book, coming=None), book.coming
    if own is not None:
        return _at(here, own, coming, shortest)
    layout = Layout(here, seed)
    minutes = layout.draw(0, RUNS)
    turn = _finish(layout, minutes, level, threads)
    for _ in range(passes - 1):
        placed_so = _at(here, turn, coming, shortest)
        if placed_so.coming is None:  # the same work in another order: laid out and drawn already
            layout.book = placed_so
        else:
            layout = Layout(placed_so, seed)
            minutes = layout.draw(0, RUNS)
        turn = _finish(layout, minutes, level, threads)
    return _at(here, turn, coming, shortest)


def _at(book: Book, turn: float, coming: Coming | None, shortest: float) -> Book:
    until = turn - shortest
    later = replace(coming, until=until) if coming is not None and until > 0.0 else None
    return replace(with_turn(book, book.target, turn), coming=later)


def _finish(layout: Layout, minutes: Floats, level: float, threads: int) -> float:
    finish = layout.simulator().run(minutes, threads=threads).finish[:, layout.book.target]
    return float(np.quantile(finish, level, method="inverted_cdf"))
