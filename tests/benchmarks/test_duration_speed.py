"""How fast the duration model learns and forecasts, as ratios on the same machine at the same moment.

Run with `pytest -m benchmark -s`. CPU time of one thread, interleaved, the least of several rounds.
"""

import time
from collections.abc import Callable

import numpy as np
import pytest

from analytics.engine.durations import Observation, State, predict, update
from analytics.engine.totals import DRAWS, Correlations, total
from analytics.engine.trade import defaults_for

pytestmark = pytest.mark.benchmark

ROUNDS = 7
BATCH = 20
KINDS = ("artwork", "load", "laminate", "weed", "mask", "clean", "install")


def least(*tasks: Callable[[], object], times: int) -> list[float]:
    """The least CPU seconds of one call of each task, over interleaved rounds."""
    best = [np.inf] * len(tasks)
    for _ in range(ROUNDS):
        for k, task in enumerate(tasks):
            began = time.thread_time()
            for _ in range(times):
                task()
            best[k] = min(best[k], (time.thread_time() - began) / times)
    return best


def observations(kind: str, n: int) -> list[Observation]:
    rng = np.random.default_rng(1)
    seen = []
    for i in range(n):
        drivers = {
            "area_m2": float(rng.lognormal(0.5, 0.7)),
            "panels": float(rng.integers(1, 9)),
            "cut_m": 12.0,
        }
        minutes = defaults_for(kind, "hands_on").minutes(drivers) * float(rng.lognormal(0, 0.3))
        categories = {"job_type": f"type {i % 6}", "person": f"person {i % 3}", "machine": "bench"}
        seen.append(Observation(minutes, drivers, categories))
    return seen


def learned(kind: str, n: int) -> State:
    state = State.empty(kind)
    for seen in observations(kind, n):
        state = update(state, seen)
    return state


def learning(state: State) -> Callable[[], object]:
    """Learn BATCH more stages, one after the other, so that nothing is remembered from one call to the next."""
    batch = observations("install", BATCH)

    def learn() -> None:
        after = state
        for seen in batch:
            after = update(after, seen)

    return learn


def test_learning_one_stage_is_faster_than_fitting_them_all_again(capsys):
    n = 5000
    state = learned("install", n)
    design = np.random.default_rng(2).standard_normal((n, len(state.names)))
    response = design.sum(axis=1)
    batch, refit = least(learning(state), lambda: np.linalg.lstsq(design, response, rcond=None), times=5)
    learn = batch / BATCH
    with capsys.disabled():
        print(
            f"\nlearn one of {n} stages, {len(state.names)} features: {learn * 1e6:.0f} µs; "
            f"least squares over all of them takes {refit / learn:.0f} × as long"
        )
    assert refit / learn > 4


def test_learning_takes_no_longer_after_a_thousand_stages_than_after_a_hundred(capsys):
    few, many = least(*(learning(learned("install", n)) for n in (100, 1000)), times=5)
    with capsys.disabled():
        print(f"\nlearning after 1000 stages takes {many / few:.2f} × as long as after 100")
    assert many / few < 1.5


def test_forecasting_a_job_costs_little_more_than_drawing_its_random_numbers(capsys):
    states = [learned(kind, 60) for kind in KINDS]
    drivers, categories = {"area_m2": 2.0, "panels": 3.0}, {"job_type": "type 1", "person": "person 1"}
    rng = np.random.default_rng(3)

    def forecast() -> None:
        laws = [predict(state, drivers, categories) for state in states]
        total(laws, Correlations().matrix(KINDS), rng)

    def draw() -> None:
        np.sort(np.exp(rng.standard_normal((DRAWS, len(KINDS)))).sum(axis=1))

    whole, raw = least(forecast, draw, times=20)
    with capsys.disabled():
        print(
            f"\na job of {len(KINDS)} stages: {whole * 1e3:.1f} ms, {whole / raw:.1f} × drawing and sorting the "
            "random numbers of its total"
        )
    assert whole / raw < 20


def test_learning_a_million_stages_anew_against_one_pass_over_their_arrays(capsys):
    """What one stage costs does not grow with their number (above), so it is measured on a batch of them."""
    n = 1_000_000
    state = learned("install", 200)
    p = len(state.names)
    design = np.random.default_rng(4).standard_normal((n, p))
    response = design.sum(axis=1)

    def one_pass() -> None:
        design.T @ design
        design.T @ response
        response @ response

    batch, numpy_pass = least(learning(state), one_pass, times=1)
    kept = sum(array.nbytes for array in (state.xtwx, state.xtwy, state.ytwy, state.mass, state.pits))
    anew = batch / BATCH * n
    with capsys.disabled():
        print(
            f"\nlearn {n:,} stages anew, each judged by those before it: {anew:.0f} s of one processor, "
            f"{anew / numpy_pass:.0f} × one NumPy pass over the same {design.nbytes / 1e6:.0f} MB of features; "
            f"what is kept of them: {kept / 1e3:.0f} kB"
        )
    assert kept < design.nbytes / 1000
    assert anew / numpy_pass < 10_000
