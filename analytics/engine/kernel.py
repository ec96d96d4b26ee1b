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
# state.counts: own operations started, in the event heap, on the stack of holds; the one that came too late, or -1;
# slots of work that may come in which are over
STARTED, EVENTS, HOLDS, LATE, SLOTS = range(5)
# state.clock: the next release of a unit, the next change of any calendar, the next opening, the next to come in
UPCOMING, CHANGE, OPENING, ARRIVAL = range(4)
# columns of the chain, as `simulate.CAUSES`
ATTENDED, UNATTENDED, CLOSED, MACHINE, PERSON, HOLD, RELEASE, COOLING, VISIT = range(9)
HEATS, COLD = 1, 2  # as in `records`
ABSENT = 1e12  # as in `network`

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
def _cooled(tables: Any, state: Any, i: int, t: float, held: int) -> float:
    """The moment at which the machine of operation i is cold enough for it."""
    cold = t
    if tables.operations[i].heat & COLD:
        if held:
            cold = max(t, state.posts[state.used[0]].hot)
        state.cooled[i] = cold - t
    return cold


@inlined
def _parts(tables: Any, state: Any, minutes: Any, i: int, held: int) -> tuple[float, float]:
    """The minutes of operation i that somebody attends, and those that it runs by itself, on the machine used[0]."""
    attended, unattended = tables.operations[i].attended, tables.operations[i].unattended
    work = minutes[attended] if attended >= 0 else 0.0
    alone = minutes[unattended] if unattended >= 0 else 0.0
    if held and tables.units[state.used[0]].watched:
        return work + alone, 0.0
    return work, alone


@inlined
def _occupy(
    tables: Any, state: Any, minutes: Any, i: int, t: float, held: int, count: int, setup: float
) -> None:
    """Start operation i at t on units used[:count], of which the first `held` (0 or 1) are machines."""
    work, alone = _parts(tables, state, minutes, i, held)
    work += setup
    for k in range(count):
        state.keeps[k] = tables.lasting[tables.operations[i].need, state.used[k]]
    attended_end = _advance(tables, state, _cooled(tables, state, i, t, held), work, count)
    if held:
        state.keeps[0] = tables.units[state.used[0]].unattended
    end = _advance(tables, state, attended_end, alone, held)
    if held and tables.operations[i].heat & HEATS:
        state.posts[state.used[0]].hot = end + tables.units[state.used[0]].cool
    course = state.course[i]
    course.start, course.attended_end, course.end, course.worked = t, attended_end, end, work
    _take_units(tables, state, i, held, count)
    if i < tables.own:
        if tables.alone_job < 0 or tables.operations[i].job == tables.alone_job:
            state.counts[STARTED] += 1
        if end == np.inf:
            state.counts[LATE] = i


@inlined
def _take_units(tables: Any, state: Any, i: int, held: int, count: int) -> None:
    """Keep units used[:count] till operation i is done with them, and note which of them was free last."""
    course = state.course[i]
    freed, blocker, on = course.ready, -1, NONE
    for k in range(count):
        u = state.used[k]
        on |= ONE << np.uint64(u)
        if state.posts[u].release > freed:
            freed, blocker = state.posts[u].release, u
        until = course.end if k < held else course.attended_end
        state.posts[u].release = until
        if until > course.start:
            state.words[FREE] &= ~(ONE << np.uint64(u))
            state.clock[UPCOMING] = min(state.clock[UPCOMING], until)
    course.freed, course.blocker = freed, blocker
    state.on[i] = on


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


@compiled
def _pick(tables: Any, state: Any, i: int, machines: Any, now: float) -> int:
    """The first of these machines; rather one that has the roll on it, and then one that is cold if it must be."""
    best, lowest = -1, 4
    while machines and lowest > 0:
        u = _lowest(machines)
        machines &= machines - ONE
        worth = 0
        if tables.operations[i].roll >= 0 and state.posts[u].roll != tables.operations[i].roll:
            worth = 2
        if tables.operations[i].heat & COLD and state.posts[u].hot > now:
            worth += 1
        if worth < lowest:
            best, lowest = u, worth
    return best


@compiled
def _allowed(tables: Any, state: Any, i: int, now: float, work: float, held: int, count: int) -> float:
    """When the customer lets operation i begin on units used[:count]: now, or the opening to wait for."""
    v, last = tables.operations[i].first_visit, tables.operations[i].last_visit
    visits = tables.visits
    while v < last and visits[v].close <= now:
        v += 1
    if v == last:  # none is left: as if the customer gave another time
        state.missed[i] += 1
        return now
    if visits[v].open > now:
        return visits[v].open  # type: ignore[no-any-return]
    cold = state.posts[state.used[0]].hot if held and tables.operations[i].heat & COLD else -np.inf
    for k in range(count):
        state.keeps[k] = tables.lasting[tables.operations[i].need, state.used[k]]
    if _advance(tables, state, max(now, cold), work, count) <= visits[v].close:
        return now
    for w in range(v + 1, last):
        if _advance(tables, state, max(visits[w].open, cold), work, count) <= visits[w].close:
            return visits[v + 1].open  # type: ignore[no-any-return]
    return now  # it fits in none that is left


@compiled
def _wait_for_visit(tables: Any, state: Any, i: int, now: float, until: float, count: int) -> None:
    """Put operation i off to the customer's next time; the first time note what it waited for till now."""
    visit = state.visit[i]
    if visit.refused == np.inf:
        visit.refused, visit.freed, visit.blocker = now, state.course[i].ready, -1
        for k in range(count):
            if state.posts[state.used[k]].release > visit.freed:
                visit.freed, visit.blocker = state.posts[state.used[k]].release, state.used[k]
    visit.allowed = until
    _push_event(state.events, state.counts[EVENTS], until, i)
    state.counts[EVENTS] += 1


@inlined
def _start(tables: Any, state: Any, minutes: Any, need: int, now: float) -> None:
    """Start the first that waits for this need on the first units that are free and open, if the customer lets it."""
    i = tables.by_rank[_pop(state.heap, tables.needs[need].heap, state.waiting[need])]
    state.waiting[need] -= 1
    if state.waiting[need] == 0:
        state.words[WAITING] &= ~(ONE << np.uint64(need))
    available = state.words[FREE] & state.words[OPEN]
    machines, people = tables.needs[need].machines & available, tables.needs[need].people & available
    held, setup, roll = 0, 0.0, tables.operations[i].roll
    if machines:
        held, unit = 1, _lowest(machines)
        if roll >= 0 or tables.operations[i].heat & COLD:
            unit = _pick(tables, state, i, machines, now)
            if roll >= 0 and state.posts[unit].roll != roll:
                setup = tables.roll_change
        state.used[0] = unit
    count = held + tables.needs[need].count
    for k in range(held, count):
        state.used[k] = _lowest(people)
        people &= people - ONE
    until = now
    if tables.operations[i].first_visit < tables.operations[i].last_visit:
        work, _ = _parts(tables, state, minutes, i, held)
        until = _allowed(tables, state, i, now, setup + work, held, count)
    if until > now:
        _wait_for_visit(tables, state, i, now, until, count)
    else:
        if held and roll >= 0:
            state.posts[state.used[0]].roll = roll
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
        state.posts[u].roll, state.posts[u].hot = tables.units[u].roll, tables.units[u].hot
    for k in range(tables.calendars.size):
        state.cursor[k] = tables.calendars[k].first
    _open_units(tables, state, 0.0)
    for i in range(tables.own):
        state.course[i].ready = max(release[i], 0.0)
        state.course[i].left = tables.operations[i].predecessors
        state.course[i].binding = -1
    for i in tables.visitors:
        state.visit[i].refused = np.inf
    for i in range(tables.own):
        if tables.operations[i].running:
            _go_on(tables, state, minutes, i)
        elif tables.operations[i].predecessors == 0:
            _become_ready(tables, state, i, 0.0)
            _begin_holds(tables, state, minutes, 0.0)
    _next_arrival(tables, state, minutes)


@compiled
def _next_arrival(tables: Any, state: Any, minutes: Any) -> None:
    """Note when the next job comes in, passing over the slots without one."""
    slot = state.counts[SLOTS]
    while slot < tables.slots.size and minutes[tables.slots[slot].arrival] >= ABSENT:
        slot += 1
    state.counts[SLOTS] = slot
    state.clock[ARRIVAL] = minutes[tables.slots[slot].arrival] if slot < tables.slots.size else np.inf


@compiled
def _come_in(tables: Any, state: Any, minutes: Any) -> None:
    """Lay out the job that comes in, at the moment at which it does."""
    slot, now = tables.slots[state.counts[SLOTS]], state.clock[ARRIVAL]
    for i in range(slot.first, slot.last):
        state.course[i].ready = now
        state.course[i].left = tables.operations[i].predecessors
        state.course[i].binding = -1
    for i in range(slot.first, slot.last):
        if tables.operations[i].predecessors == 0:
            _become_ready(tables, state, i, now)
            _begin_holds(tables, state, minutes, now)
    state.counts[SLOTS] += 1
    _next_arrival(tables, state, minutes)


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
def _stuck(tables: Any, state: Any) -> int:
    """The first of the shop's own operations that waits though nothing will come any more."""
    first = tables.own
    for need in range(tables.needs.size):
        for k in range(state.waiting[need]):
            first = min(first, tables.by_rank[state.heap[tables.needs[need].heap + k]])
    return first  # type: ignore[no-any-return]


@compiled
def _replicate(tables: Any, state: Any, minutes: Any, release: Any) -> int:
    """Run one replication; -1, or the operation at which the calendars were not long enough."""
    _begin(tables, state, minutes, release)
    now = 0.0
    while state.counts[STARTED] < tables.goal and state.counts[LATE] < 0:
        while state.clock[ARRIVAL] <= now:
            _come_in(tables, state, minutes)
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
        now = state.clock[ARRIVAL]
        if state.counts[EVENTS] > 0:
            now = min(now, state.events[0].time)
        waiting = state.words[WAITING]
        if waiting:  # else a unit that is freed or opens changes nothing
            now = min(now, state.clock[UPCOMING], state.clock[OPENING])
        if now == np.inf and state.counts[STARTED] < tables.goal and state.counts[LATE] < 0:
            return _stuck(tables, state)
    return state.counts[LATE]  # type: ignore[no-any-return]


@compiled
def _account_wait(
    tables: Any, i: int, ready: float, freed: float, blocker: int, spent: Any, waits: Any
) -> None:
    """Lay the wait from ready to freed to the unit that was busy till then, if there was one."""
    if blocker >= 0 and freed > ready:
        held = (tables.needs[tables.operations[i].need].machines >> np.uint64(blocker)) & ONE
        spent[MACHINE if held else PERSON] += freed - ready
        waits[blocker] += freed - ready


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
            if (
                until_end and course.end > course.attended_end
            ):  # by itself, for those who watch have gone by then
                alone = minutes[tables.operations[i].unattended]
                spent[UNATTENDED] += alone
                spent[CLOSED] += course.end - course.attended_end - alone
        ready = course.ready
        if tables.operations[i].heat & COLD:
            spent[COOLING] += state.cooled[i]
            spent[CLOSED] -= state.cooled[i]
        if tables.operations[i].first_visit < tables.operations[i].last_visit:
            visit = state.visit[i]
            if visit.refused < np.inf:
                _account_wait(tables, i, ready, visit.freed, visit.blocker, spent, waits)
                spent[CLOSED] += visit.refused - max(ready, visit.freed)
                spent[VISIT] += visit.allowed - visit.refused
                ready = visit.allowed
        _account_wait(tables, i, ready, course.freed, course.blocker, spent, waits)
        spent[CLOSED] += course.start - max(ready, course.freed)
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
    units: Any,
) -> tuple[int, int]:
    """Replications first to last - 1, written into finish, trace, chain, waits and units.

    Gives (-1, -1), or the replication and the operation at which the calendars were not long enough.
    """
    for r in range(first, last):
        row = minutes[r]
        late = _replicate(tables, state, row, release[min(r, release.shape[0] - 1)])
        if late >= 0:
            return r, late
        finish[r, :] = 0.0 if tables.alone_job < 0 else np.nan  # the others have not come to their ends
        if tables.alone_job >= 0:
            finish[r, tables.alone_job] = 0.0
        for i in range(tables.own):
            job = tables.operations[i].job
            if tables.alone_job < 0 or job == tables.alone_job:
                finish[r, job] = max(finish[r, job], state.course[i].end)
        if trace.shape[0] > 0:
            for i in range(tables.own):
                units[r, i] = state.on[i]
                trace[r, i, 0] = state.course[i].start
                trace[r, i, 1] = state.course[i].attended_end
                trace[r, i, 2] = state.course[i].end
        if targets.size > 0:
            _account(tables, state, row, targets, chain, waits)
    return -1, -1
