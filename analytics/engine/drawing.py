"""The compiled part of `sampling`: named streams of stratified normals, and a job's minutes from them.

A stream is SplitMix64 (Steele, Lea & Flood 2014) from a state that is a hash of its name, by the same mixing
function. All compiled functions stand in this one file, because numba's cache notices a change only in the file of
the function that is called. Importing it loads numba.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numpy as np
from numba import njit

F = TypeVar("F", bound=Callable[..., Any])

OPTIONS: dict[str, Any] = {"cache": True, "nogil": True, "error_model": "numpy", "_nrt": False}


def compiled(function: F) -> F:
    """Compile once, keep the machine code on disk, and let other threads run meanwhile."""
    return cast(F, njit(**OPTIONS)(function))


GOLDEN = np.uint64(0x9E3779B97F4A7C15)
MIX_1, MIX_2 = np.uint64(0xBF58476D1CE4E5B9), np.uint64(0x94D049BB133111EB)
HALF = np.uint64(32)
LOW = np.uint64(0xFFFFFFFF)

# Wichura 1988, algorithm AS 241 (PPND16): the normal quantile to about 1 part in 10^16, by rational functions.
CENTRE_UP = (
    2.5090809287301226727e3, 3.3430575583588128105e4, 6.7265770927008700853e4, 4.5921953931549871457e4,
    1.3731693765509461125e4, 1.9715909503065514427e3, 1.3314166789178437745e2, 3.3871328727963666080e0,
)  # fmt: skip
CENTRE_DOWN = (
    5.2264952788528545610e3, 2.8729085735721942674e4, 3.9307895800092710610e4, 2.1213794301586595867e4,
    5.3941960214247511077e3, 6.8718700749205790830e2, 4.2313330701600911252e1, 1.0,
)  # fmt: skip
MIDDLE_UP = (
    7.74545014278341407640e-4, 2.27238449892691845833e-2, 2.41780725177450611770e-1, 1.27045825245236838258e0,
    3.64784832476320460504e0, 5.76949722146069140550e0, 4.63033784615654529590e0, 1.42343711074968357734e0,
)  # fmt: skip
MIDDLE_DOWN = (
    1.05075007164441684324e-9, 5.47593808499534494600e-4, 1.51986665636164571966e-2, 1.48103976427480074590e-1,
    6.89767334985100004550e-1, 1.67638483018380384940e0, 2.05319162663775882187e0, 1.0,
)  # fmt: skip
FAR_UP = (
    2.01033439929228813265e-7, 2.71155556874348757815e-5, 1.24266094738807843860e-3, 2.65321895265761230930e-2,
    2.96560571828504891230e-1, 1.78482653991729133580e0, 5.46378491116411436990e0, 6.65790464350110377720e0,
)  # fmt: skip
FAR_DOWN = (
    2.04426310338993978564e-15, 1.42151175831644588870e-7, 1.84631831751005468180e-5, 7.86869131145613259100e-4,
    1.48753612908506148525e-2, 1.36929880922735805310e-1, 5.99832206555887937690e-1, 1.0,
)  # fmt: skip


@compiled
def _mixed(word: Any) -> Any:
    word = (word ^ (word >> np.uint64(30))) * MIX_1
    word = (word ^ (word >> np.uint64(27))) * MIX_2
    return word ^ (word >> np.uint64(31))


@compiled
def _further(state: Any, word: Any) -> Any:
    return _mixed((state ^ word) + GOLDEN)


@compiled
def _named(seed: Any, block: Any, key: Any, purpose: Any, kind: Any, turn: Any) -> Any:
    """The state that a stream of this name begins in."""
    state = _further(_further(_mixed(seed + GOLDEN), np.uint64(block)), np.uint64(key))
    return _further(_further(_further(state, np.uint64(purpose)), np.uint64(kind)), np.uint64(turn))


@compiled
def _ratio(up: Any, down: Any, x: float) -> float:
    high, low = up[0], down[0]
    for k in range(1, 8):
        high = high * x + up[k]
        low = low * x + down[k]
    return high / low  # type: ignore[no-any-return]


@compiled
def normal_quantile(p: float) -> float:
    """The z below which a standard normal lies with chance p, in (0, 1)."""
    q = p - 0.5
    if abs(q) <= 0.425:
        return q * _ratio(CENTRE_UP, CENTRE_DOWN, 0.180625 - q * q)
    r = np.sqrt(-np.log(p if q < 0 else 1.0 - p))
    z = _ratio(MIDDLE_UP, MIDDLE_DOWN, r - 1.6) if r <= 5.0 else _ratio(FAR_UP, FAR_DOWN, r - 5.0)
    return -z if q < 0 else z


@compiled
def stratified(state: Any, places: Any, out: Any) -> None:
    """One uniform from each of out.size equally likely strata, in random order. places: scratch, as long."""
    n = out.size
    for k in range(n):
        state += GOLDEN
        word = _mixed(state)
        other = np.int64(((word >> HALF) * np.uint64(k + 1)) >> HALF)  # 0..k
        places[k] = places[other]
        places[other] = k
        out[k] = (np.float64(word & LOW) + 0.5) / 4294967296.0
    for k in range(n):
        out[k] = (places[k] + out[k]) / n


@compiled
def uniforms(seed: Any, block: Any, keys: Any, purpose: Any, places: Any, out: Any) -> None:
    """Stratified uniforms of a stream for each key, shape (keys, runs)."""
    for k in range(keys.size):
        stratified(_named(seed, block, keys[k], purpose, 0, 0), places, out[k])


@compiled
def normals(seed: Any, block: Any, keys: Any, purpose: Any, places: Any, out: Any) -> None:
    """The same as standard normals."""
    uniforms(seed, block, keys, purpose, places, out)
    for k in range(keys.size):
        for r in range(out.shape[1]):
            out[k, r] = normal_quantile(out[k, r])


@compiled
def scores(
    seed: Any,
    block: Any,
    key: Any,
    purpose: Any,
    columns: Any,
    mine: Any,
    kinds: Any,
    shared: Any,
    places: Any,
    z: Any,
) -> None:
    """z of the columns `mine` of a job, shape (columns, runs). kinds, shared: normals of the kinds and of the job."""
    for m in range(mine.size):
        column, row = columns[mine[m]], z[m]
        stratified(_named(seed, block, key, purpose, column.kind, column.turn), places, row)
        own, job, kind = column.own_weight, column.job_weight, column.kind_weight
        for r in range(row.size):
            row[r] = own * normal_quantile(row[r]) + job * shared[r]
        if kind > 0.0:
            other = kinds[column.place]
            for r in range(row.size):
                row[r] += kind * other[r]


@compiled
def minutes(columns: Any, log: Any, lowest: float, per_z: float, mine: Any, z: Any, out: Any) -> None:
    """The minutes (left) of the columns `mine` at z, written into out, shape (runs, all columns)."""
    last = log.shape[1] - 1
    highest = lowest + last / per_z
    for r in range(z.shape[1]):
        for m in range(mine.size):
            c = mine[m]
            if columns[c].fixed:
                value = columns[c].longest
            else:
                place = min(max((z[m, r] - lowest) * per_z, 0.0), np.float64(last))
                knot = min(np.int64(place), last - 1)
                low = log[c, knot]
                value = low + (place - knot) * (log[c, knot + 1] - low)
                if z[m, r] > highest:
                    value += columns[c].beyond * (z[m, r] - highest)
                value = np.exp(value)
            out[r, c] = max(value - columns[c].elapsed, 0.0) if columns[c].elapsed > 0.0 else value


@compiled
def jobs(
    seed: Any,
    block: Any,
    keys: Any,
    bounds: Any,
    order: Any,
    purposes: Any,
    kinds: Any,
    columns: Any,
    log: Any,
    lowest: float,
    per_z: float,
    places: Any,
    shared: Any,
    z: Any,
    out: Any,
) -> None:
    """The minutes of all jobs without a running stage. order[bounds[j]:bounds[j + 1]]: the columns of job j."""
    for j in range(keys.size):
        mine = order[bounds[j] : bounds[j + 1]]
        stratified(_named(seed, block, keys[j], purposes[0], 0, 0), places, shared)
        for r in range(shared.size):
            shared[r] = normal_quantile(shared[r])
        scores(seed, block, keys[j], purposes[1], columns, mine, kinds, shared, places, z)
        minutes(columns, log, lowest, per_z, mine, z[: mine.size], out)
