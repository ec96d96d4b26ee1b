"""The compiled event loop: one replication at a time, each from the first minute to the last finish.

Policy: non-delay list scheduling. Whenever something becomes ready, free or open, the waiting operation of
lowest rank whose units are all free and open starts; and again until none fits. Operations of one need ask for
the same units, so only the head of each need's heap has to be looked at: O(operations × (needs + log
operations)) per replication. Importing this module loads numba; `simulate.simulate` is the way in.

All compiled functions stand in this one file, because numba's cache notices a change only in the file of the
function that is called. `tables` and `state` are `records.Tables` and `records.State`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numpy as np
from numba import njit
from numba.cpython.unsafe.numbers import trailing_zeros

F = TypeVar("F", bound=Callable[..., Any])

# state.words: units that are free, needs that someone waits for, units that are open
FREE, WAITING, OPEN = range(3)
# state.counts: operations started, in the event heap, on the stack of holds; and the one that came too late, or -1
STARTED, EVENTS, HOLDS, LATE = range(4)
# state.clock: the next release of a unit, the next change of any calendar, the next opening
UPCOMING, CHANGE, OPENING = range(3)
# columns of the chain, as `simulate.CAUSES`
ATTENDED, UNATTENDED, CLOSED, MACHINE, PERSON, HOLD, RELEASE = range(7)

ONE, NONE = np.uint64(1), np.uint64(0)

# Every array is made outside, so references need not be counted in here (_nrt): counting them at each look
# into a named tuple takes nine tenths of the time. error_model: no check for a division by zero.
OPTIONS: dict[str, Any] = {"cache": True, "nogil": True, "error_model": "numpy", "_nrt": False}


def compiled(function: F) -> F:
    """Compile once, keep the machine code on disk, and let other threads run meanwhile."""
    return cast(F, njit(**OPTIONS)(function))


def inlined(function: F) -> F:
    """The same, copied into its caller: worth a fifth of the whole time on the way to a start."""
    return cast(F, njit(**OPTIONS, inline="always")(function))


@compiled
def _lowest(bits: Any) -> int:
    """The index of the lowest set bit, signed, so that it may be mixed with other indices."""
    return np.int64(trailing_zeros(bits))  # type: ignore[call-arg, return-value]


@compiled
def _push(heap: Any, base: int, size: int, value: int) -> None:
    i = size
    while i > 0:
        parent = (i - 1) >> 1
        if heap[base + parent] <= value:
            break
        heap[base + i] = heap[base + parent]
        i = parent
    heap[base + i] = value


@compiled
def _pop(heap: Any, base: int, size: int) -> int:
    top, value = heap[base], heap[base + size - 1]
    size -= 1
    i = 0
    while True:
        child = 2 * i + 1
        if child >= size:
            break
        if child + 1 < size and heap[base + child + 1] < heap[base + child]:
            child += 1
        if heap[base + child] >= value:
            break
        heap[base + i] = heap[base + child]
        i = child
    heap[base + i] = value
    return top  # type: ignore[no-any-return]


@compiled
def _push_event(events: Any, size: int, time: float, operation: int) -> None:
    i = size
    while i > 0:
        parent = (i - 1) >> 1
        if events[parent].time <= time:
            break
        events[i] = events[parent]
        i = parent
    events[i].time = time
    events[i].operation = operation


@compiled
def _pop_event(events: Any, size: int) -> int:
    top = events[0].operation
    time, operation = events[size - 1].time, events[size - 1].operation
    size -= 1
    i = 0
    while True:
        child = 2 * i + 1
        if child >= size:
            break
        if child + 1 < size and events[child + 1].time < events[child].time:
            child += 1
        if events[child].time >= time:
            break
        events[i] = events[child]
        i = child
    events[i].time = time
    events[i].operation = operation
    return top  # type: ignore[no-any-return]


@compiled
def _advance(tables: Any, state: Any, t: float, minutes: float, count: int) -> float:
    """When so many minutes are done, from t, while all the calendars keeps[:count] are open; inf if never."""
    if minutes <= 0.0:
        return t
    windows, window = tables.windows, state.window
    for k in range(count):
        window[k] = state.cursor[state.keeps[k]]
    while True:
        k = 0
        while k < count:
            w, last = window[k], tables.calendars[state.keeps[k]].last
            while w < last and windows[w].close <= t:
                w += 1
            if w == last:
                return np.inf
            window[k] = w
            if windows[w].open > t:
                t = windows[w].open
                k = 0  # time moved on: look at all of them again
            else:
                k += 1
        closing = np.inf
        for k in range(count):
            closing = min(closing, windows[window[k]].close)
        if minutes <= closing - t:
            return t + minutes
        minutes -= closing - t
        t = closing


@compiled
def _wait(tables: Any, state: Any, i: int) -> None:
    need = tables.operations[i].need
    _push(state.heap, tables.needs[need].heap, state.waiting[need], tables.operations[i].rank)
    state.waiting[need] += 1
    state.words[WAITING] |= ONE << np.uint64(need)


@compiled
def _become_ready(tables: Any, state: Any, i: int, now: float) -> None:
    """All before operation i have been started: begin, wait, or come back at its time."""
    if tables.operations[i].need < 0:
        state.holds[state.counts[HOLDS]] = i
        state.counts[HOLDS] += 1
    elif state.course[i].ready <= now:
        _wait(tables, state, i)
    else:
        _push_event(state.events, state.counts[EVENTS], state.course[i].ready, i)
        state.counts[EVENTS] += 1


@compiled
def _release_followers(tables: Any, state: Any, i: int, now: float) -> None:
    for e in range(tables.operations[i].first_edge, tables.operations[i].last_edge):
        kind, j = tables.edges[e].kind, tables.edges[e].to
        ready = (state.course[i].attended_end if kind else state.course[i].end) + tables.edges[e].lag
        before = state.course[j].ready
        if ready > before or (state.course[j].binding < 0 and ready >= before):
            state.course[j].ready = ready
            state.course[j].binding = i
            state.course[j].binding_kind = kind
        state.course[j].left -= 1
        if state.course[j].left == 0:
            _become_ready(tables, state, j, now)


@inlined
def _occupy(
    tables: Any, state: Any, minutes: Any, i: int, t: float, held: int, count: int, setup: float
) -> None:
    """Start operation i at t on units used[:count], of which the first `held` (0 or 1) are machines."""
    attended, unattended = tables.operations[i].attended, tables.operations[i].unattended
    work = setup + (minutes[attended] if attended >= 0 else 0.0)
    for k in range(count):
        state.keeps[k] = tables.units[state.used[k]].calendar
    attended_end = _advance(tables, state, t, work, count)
    end = attended_end
    if unattended >= 0:
        if held:
            state.keeps[0] = tables.units[state.used[0]].unattended
        end = _advance(tables, state, attended_end, minutes[unattended], held)
    freed, blocker = state.course[i].ready, -1
    for k in range(count):
        u = state.used[k]
        if state.posts[u].release > freed:
            freed, blocker = state.posts[u].release, u
        until = end if k < held else attended_end
        state.posts[u].release = until
        if until > t:
            state.words[FREE] &= ~(ONE << np.uint64(u))
            state.clock[UPCOMING] = min(state.clock[UPCOMING], until)
    course = state.course[i]
    course.start, course.attended_end, course.end, course.worked = t, attended_end, end, work
    course.freed, course.blocker = freed, blocker
    state.counts[STARTED] += 1
    if end == np.inf:
        state.counts[LATE] = i


@inlined
def _launch(
    tables: Any, state: Any, minutes: Any, i: int, t: float, held: int, count: int, setup: float
) -> None:
    """Start operation i, and the holds that it lets begin: they need no unit, so their time is known now."""
    _occupy(tables, state, minutes, i, t, held, count, setup)
    _release_followers(tables, state, i, t)
    _begin_holds(tables, state, minutes, t)


@compiled
def _begin_holds(tables: Any, state: Any, minutes: Any, now: float) -> None:
    while state.counts[HOLDS] > 0:
        state.counts[HOLDS] -= 1
        i = state.holds[state.counts[HOLDS]]
        _occupy(tables, state, minutes, i, state.course[i].ready, 0, 0, 0.0)
        _release_followers(tables, state, i, now)


@inlined
def _start(tables: Any, state: Any, minutes: Any, need: int, now: float) -> None:
    """Start the first that waits for this need, on the first units that are free and open."""
    i = tables.by_rank[_pop(state.heap, tables.needs[need].heap, state.waiting[need])]
    state.waiting[need] -= 1
    if state.waiting[need] == 0:
        state.words[WAITING] &= ~(ONE << np.uint64(need))
    available = state.words[FREE] & state.words[OPEN]
    machines, people = tables.needs[need].machines & available, tables.needs[need].people & available
    held, setup = 0, 0.0
    if machines:
        held, roll = 1, tables.operations[i].roll
        unit = _lowest(machines)
        if roll >= 0:
            while machines:  # rather a machine that has the roll on it
                other = _lowest(machines)
                machines &= machines - ONE
                if state.posts[other].roll == roll:
                    unit = other
                    break
            if state.posts[unit].roll != roll:
                setup = tables.roll_change
                state.posts[unit].roll = roll
        state.used[0] = unit
    count = held + tables.needs[need].count
    for k in range(held, count):
        state.used[k] = _lowest(people)
        people &= people - ONE
    _launch(tables, state, minutes, i, now, held, count, setup)


@compiled
def _choose(tables: Any, state: Any) -> int:
    """The need whose first waiting operation has the lowest rank among those that can start now, or -1."""
    available = state.words[FREE] & state.words[OPEN]
    rest = state.words[WAITING]
    if not (available & tables.people):
        rest &= tables.alone
    best, lowest = -1, tables.operations.size
    while rest:
        c = _lowest(rest)
        rest &= rest - ONE
        rank = state.heap[tables.needs[c].heap]
        if rank >= lowest:
            continue
        machines = tables.needs[c].machines
        if machines and not (machines & available):
            continue
        people, missing = tables.needs[c].people & available, tables.needs[c].count
        while missing > 0 and people:
            people &= people - ONE
            missing -= 1
        if missing == 0:
            best, lowest = c, rank
    return best


@compiled
def _free_units(tables: Any, state: Any, now: float) -> None:
    """Free the units whose work ends by now, and note the next that will."""
    state.clock[UPCOMING] = np.inf
    busy = ((ONE << np.uint64(tables.units.size)) - ONE) & ~state.words[FREE]
    while busy:
        u = _lowest(busy)
        busy &= busy - ONE
        if state.posts[u].release <= now:
            state.words[FREE] |= ONE << np.uint64(u)
        else:
            state.clock[UPCOMING] = min(state.clock[UPCOMING], state.posts[u].release)


@compiled
def _open_units(tables: Any, state: Any, now: float) -> None:
    """Note which units are open, until when that holds, and the next opening."""
    state.words[OPEN] = NONE
    state.clock[CHANGE] = state.clock[OPENING] = np.inf
    for k in range(tables.calendars.size):
        w, last = state.cursor[k], tables.calendars[k].last
        while w < last and tables.windows[w].close <= now:
            w += 1
        state.cursor[k] = w
        if w == last:
            continue
        if tables.windows[w].open <= now:
            state.words[OPEN] |= tables.calendars[k].units
            state.clock[CHANGE] = min(state.clock[CHANGE], tables.windows[w].close)
        else:
            state.clock[OPENING] = min(state.clock[OPENING], tables.windows[w].open)
    state.clock[CHANGE] = min(state.clock[CHANGE], state.clock[OPENING])


@compiled
def _begin(tables: Any, state: Any, minutes: Any, release: Any) -> None:
    """Lay out a replication: what runs goes on from minute 0, what has nothing before it becomes ready."""
    state.counts[:] = 0
    state.counts[LATE] = -1
    state.waiting[:] = 0
    state.words[FREE] = (ONE << np.uint64(tables.units.size)) - ONE
    state.words[WAITING] = NONE
    for u in range(tables.units.size):
        state.posts[u].release = -np.inf
        state.posts[u].roll = tables.units[u].roll
    for k in range(tables.calendars.size):
        state.cursor[k] = tables.calendars[k].first
    _open_units(tables, state, 0.0)
    for i in range(tables.operations.size):
        state.course[i].ready = max(release[i], 0.0)
        state.course[i].left = tables.operations[i].predecessors
        state.course[i].binding = -1
    for i in range(tables.operations.size):
        if tables.operations[i].running:
            _go_on(tables, state, minutes, i)
        elif tables.operations[i].predecessors == 0:
            _become_ready(tables, state, i, 0.0)
            _begin_holds(tables, state, minutes, 0.0)


@compiled
def _go_on(tables: Any, state: Any, minutes: Any, i: int) -> None:
    """A running operation keeps its units from minute 0, open or not, and works on when they are open."""
    held = count = 0
    if tables.operations[i].machine >= 0:
        state.used[0] = tables.operations[i].machine
        held = count = 1
    people = tables.operations[i].people
    while people:
        state.used[count] = _lowest(people)
        people &= people - ONE
        count += 1
    _launch(tables, state, minutes, i, 0.0, held, count, 0.0)


@compiled
def _replicate(tables: Any, state: Any, minutes: Any, release: Any) -> int:
    """Run one replication; -1, or the operation at which the calendars were not long enough."""
    _begin(tables, state, minutes, release)
    now = 0.0
    while state.counts[STARTED] < tables.operations.size and state.counts[LATE] < 0:
        while state.counts[EVENTS] > 0 and state.events[0].time <= now:
            i = _pop_event(state.events, state.counts[EVENTS])
            state.counts[EVENTS] -= 1
            _wait(tables, state, i)
        _free_units(tables, state, now)
        if now >= state.clock[CHANGE]:
            _open_units(tables, state, now)
        while True:
            need = _choose(tables, state)
            if need < 0:
                break
            _start(tables, state, minutes, need, now)
        now = state.events[0].time if state.counts[EVENTS] > 0 else np.inf
        waiting = state.words[WAITING]
        if waiting:  # else a unit that is freed or opens changes nothing
            now = min(now, state.clock[UPCOMING], state.clock[OPENING])
            if now == np.inf:
                return tables.by_rank[state.heap[tables.needs[_lowest(waiting)].heap]]  # type: ignore[no-any-return]
    return state.counts[LATE]  # type: ignore[no-any-return]


@compiled
def _account(tables: Any, state: Any, minutes: Any, targets: Any, chain: Any, waits: Any) -> None:
    """Add one replication's minutes of the target job, from its last finish back to minute 0, by stage and cause.

    The way back follows what each start waited for last, within the job; the minutes add up to the finish.
    """
    i = targets[0]
    for j in targets:
        if state.course[j].end > state.course[i].end:
            i = j
    until_end = True
    while True:
        course, spent = state.course[i], chain[tables.operations[i].stage]
        if tables.operations[i].need < 0:
            spent[HOLD] += (course.end if until_end else course.attended_end) - course.start
        else:
            spent[ATTENDED] += course.worked
            spent[CLOSED] += course.attended_end - course.start - course.worked
            if until_end and tables.operations[i].unattended >= 0:
                alone = minutes[tables.operations[i].unattended]
                spent[UNATTENDED] += alone
                spent[CLOSED] += course.end - course.attended_end - alone
        if course.blocker >= 0:
            held = (tables.needs[tables.operations[i].need].machines >> np.uint64(course.blocker)) & ONE
            spent[MACHINE if held else PERSON] += course.freed - course.ready
            waits[course.blocker] += course.freed - course.ready
        spent[CLOSED] += course.start - course.freed
        if course.binding < 0:
            spent[RELEASE] += course.ready
            return
        before = state.course[course.binding]
        until_end = course.binding_kind == 0
        spent[HOLD] += course.ready - (before.end if until_end else before.attended_end)
        i = course.binding


@compiled
def run(
    tables: Any,
    state: Any,
    minutes: Any,
    release: Any,
    first: int,
    last: int,
    targets: Any,
    finish: Any,
    trace: Any,
    chain: Any,
    waits: Any,
) -> tuple[int, int]:
    """Replications first to last - 1, written into finish, trace, chain and waits.

    Gives (-1, -1), or the replication and the operation at which the calendars were not long enough.
    """
    for r in range(first, last):
        row = minutes[r]
        late = _replicate(tables, state, row, release[min(r, release.shape[0] - 1)])
        if late >= 0:
            return r, late
        finish[r, :] = 0.0
        for i in range(tables.operations.size):
            job = tables.operations[i].job
            finish[r, job] = max(finish[r, job], state.course[i].end)
        if trace.shape[0] > 0:
            for i in range(tables.operations.size):
                trace[r, i, 0] = state.course[i].start
                trace[r, i, 1] = state.course[i].attended_end
                trace[r, i, 2] = state.course[i].end
        if targets.size > 0:
            _account(tables, state, row, targets, chain, waits)
    return -1, -1
