"""Our forecasts of stages against other methods, in one walk through a log of stage times.

`make rivals LOGS="a.csv b.csv"`. Each log (the import contract's columns) is read into a shop of its own in a
temporary database, so that the cases are those of `manage.py backtest`. All forecast the same stages in the same
order and know the same: what had finished before, the drivers and categories of the stage. Ours learns each job as it
finishes; the libraries' models are fitted anew once the finished jobs have grown by GROWTH.
"""

import math
import os
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from analytics.engine import scores
from analytics.engine.backtest import LEVELS, PLAN, JobRecord, Options, Walk
from analytics.engine.learner import StageRecord
from tests.benchmarks.rival_models import AcceleratedFailureTime, Boosting

GROWTH, AT_LEAST = 0.15, 5
"""A model is fitted anew when the finished jobs are a seventh more (0.15), and at least 5 more."""

RIVALS = {"gradient boosting": Boosting, "log-normal AFT": AcceleratedFailureTime}
WITHOUT_PLAN = frozenset({PLAN})


@dataclass
class Score:
    """Sums over cases. CRPS in minutes; pinball losses and hits at LEVELS."""

    n: int = 0
    crps: float = 0.0
    pinball: np.ndarray = field(default_factory=lambda: np.zeros(len(LEVELS)))
    hits: np.ndarray = field(default_factory=lambda: np.zeros(len(LEVELS)))

    def add(self, probs: np.ndarray, minutes: np.ndarray, actual: float) -> None:
        """Count the case of a law with these minutes at these probabilities."""
        at = np.interp(LEVELS, probs, minutes)
        self.n += 1
        self.crps += scores.crps_from_quantiles(probs, minutes, actual)
        self.pinball += scores.pinball(LEVELS, at, actual)
        self.hits += actual <= at


@dataclass(frozen=True)
class Line:
    """One method's means: CRPS and pinball losses at LEVELS in minutes, coverage at LEVELS (None of a point)."""

    method: str
    n: int
    crps: float
    pinball: Sequence[float] | None
    coverage: Sequence[float] | None


def compare(jobs: Sequence[JobRecord], options: Options | None = None) -> list[Line]:
    """Every method's scores on the stages of these jobs, ours first."""
    walk = Walk(jobs, options)
    learned: list[StageRecord] = []
    models = {name: make() for name, make in RIVALS.items()}
    totals = {name: Score() for name in RIVALS}
    due = 0
    for number, rows in enumerate(walk):
        job = walk.jobs[number]
        cases = [stage for stage, row in zip(job.stages, rows, strict=False) if row.crps is not None]
        if cases and number >= due:
            due = number + max(AT_LEAST, int(GROWTH * number))
            for model in models.values():
                model.fit(learned)
        for name, model in models.items() if cases else ():
            for law, stage in zip(model.quantiles(cases), cases, strict=True):
                totals[name].add(model.probs, law, stage.actual)
        learned += [stage for stage in job.stages if stage.used]
    return [*_of_walk(walk.result().stages["all"]), *(_of_rival(*each) for each in totals.items())]


def _of_walk(score: Mapping[str, Any]) -> Iterator[Line]:
    """Ours and the two simple forecasts, as the backtest scores them."""
    simple = score["baselines"]
    named = {
        "ours": score,
        "mean + quarter": simple["mean_plus_quarter"],
        "past quantiles": simple["past_quantiles"],
    }
    for name, one in named.items():
        coverage = one.get("coverage")
        yield Line(
            name,
            score["n"],
            one["crps_min"],
            list(one["pinball_min"].values()),
            None if coverage is None else list(coverage.values()),
        )


def _of_rival(name: str, score: Score) -> Line:
    n = score.n or math.nan
    return Line(name, score.n, score.crps / n, list(score.pinball / n), list(score.hits / n))


def plan_lines(jobs: Sequence[JobRecord]) -> list[Line]:
    """People's own estimates as points, and ours on the same cases; none where nobody gave any."""
    walk = Walk(jobs)
    for _ in walk:
        pass
    plan = walk.result().plan
    if not plan["n"]:
        return []
    return [
        Line("own plan, where given", plan["n"], plan["crps_min"], None, None),
        Line("ours on those", plan["n"], plan["ours_crps_min"], None, None),
    ]


def table(title: str, lines: Sequence[Line]) -> Iterator[str]:
    """The lines as text."""
    heads = ("n", "CRPS", *(f"loss P{100 * p:.0f}" for p in LEVELS), *(f"in P{100 * p:.0f}" for p in LEVELS))
    yield f"{title:32}" + " ".join(f"{head:>9}" for head in heads)
    for line in lines:
        cells = [f"{line.n:,}", f"{line.crps:,.2f}"]
        cells += [f"{loss:,.2f}" for loss in line.pinball or ()]
        cells += [f"{100 * share:.1f} %" for share in line.coverage or ()]
        yield f"{line.method:32}" + " ".join(f"{cell:>9}" for cell in cells)


def read_jobs(log: Path) -> list[JobRecord]:
    """The finished jobs of a log, by way of the database: just what `manage.py backtest` would walk through."""
    from analytics.selectors.history import job_records
    from analytics.services.learning import sweep_shop
    from jobs.services.import_files import import_timings

    shop = import_timings(log, None, new_slug=f"log-{os.urandom(4).hex()}", define_drivers=True).shop
    sweep_shop(shop)
    return job_records(shop)


def report(log: Path) -> Iterator[str]:
    """The tables of one log, with and (where people gave them) without their own estimates."""
    jobs = read_jobs(log)
    yield f"{log.name}: {len(jobs):,} finished jobs; minutes, less is better"
    has_plan = any(PLAN in stage.drivers for job in jobs for stage in job.stages)
    yield from table("everything known", compare(jobs))
    if has_plan:
        yield from table("", plan_lines(jobs))
        yield from table(f"without {PLAN}", compare(jobs, Options(leave_out=WITHOUT_PLAN)))
    yield ""


def main(logs: Sequence[str]) -> int:
    """Print the tables of each log; 2 and a message where one cannot be read."""
    paths = [Path(log) for log in logs]
    missing = [str(path) for path in paths if not path.is_file()]
    if not paths or missing:
        print(
            f"No such log: {', '.join(missing)}."
            if missing
            else 'Name a log: make rivals LOGS="a.csv b.csv".'
        )
        return 2
    with tempfile.TemporaryDirectory(prefix="lapwright-rivals-") as folder:
        os.environ.update(
            DATA_DIR=folder, CELERY_TASK_ALWAYS_EAGER="1", DJANGO_SETTINGS_MODULE="shop.settings"
        )
        import django
        from django.core.management import call_command

        django.setup()
        call_command("migrate", verbosity=0)
        for path in paths:
            for line in report(path):
                print(line, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
