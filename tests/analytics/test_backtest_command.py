"""manage.py backtest: the contract of its JSON, its table and its file, on a history with a known answer."""

import csv
import json
from datetime import timedelta
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from django.core.management import CommandError, call_command

from analytics.engine.backtest import JobRecord, StageRecord, Walk, walk
from analytics.engine.hours import to_minutes
from analytics.selectors.history import job_records
from analytics.selectors.samples import EPOCH
from analytics.services.learning import sweep_shop
from shop.models import Shop
from shop.services import shop_create
from tests.analytics.derived import MONDAY, a_job, finish

pytestmark = pytest.mark.django_db

QUANTILES = ["q05", "q10", "q25", "q50", "q75", "q80", "q90", "q95", "q98"]


@pytest.fixture
def shop() -> Shop:
    """A shop with 25 jobs of two stages whose minutes grow with the area; one stage of one job has no minutes."""
    shop = shop_create(slug="quay", name="Quay Signs")
    rng = np.random.default_rng(3)
    for n in range(25):
        area = float(rng.uniform(0.5, 6.0))
        job = a_job(shop, ("Lettering", "Window graphics")[n % 2])
        at = MONDAY + n * timedelta(days=1)
        finish(job, "hemming", 10 * area * float(rng.lognormal(0, 0.2)), at, area_m2=area)
        welding = 0.0 if n == 20 else 4 * area * float(rng.lognormal(0, 0.2))
        finish(job, "welding", welding, at + timedelta(hours=3), alone=0, area_m2=area)
    return shop


def run(*options: str) -> str:
    out = StringIO()
    call_command("backtest", *options, stdout=out)
    return out.getvalue()


def check_score(score: dict[str, Any]) -> None:
    """The shape of one SCORE."""
    levels = {"0.5", "0.8", "0.95"}
    assert set(score) == {"n", "crps_min", "pinball_min", "coverage", "width90_min", "baselines"}
    assert set(score["pinball_min"]) == set(score["coverage"]) == levels
    mean, past = score["baselines"]["mean_plus_quarter"], score["baselines"]["past_quantiles"]
    assert set(mean) == {"crps_min", "pinball_min"}
    assert set(past) == {"crps_min", "pinball_min", "coverage"}
    assert set(mean["pinball_min"]) == set(past["pinball_min"]) == set(past["coverage"]) == levels


def test_the_json_has_the_contracts_shape(shop: Shop) -> None:
    result = json.loads(run("--json"))
    assert set(result) == {"stages", "jobs", "plan"}
    assert set(result["stages"]) == {"all", "Hemming", "Welding"}
    assert set(result["jobs"]) == {"all", "Lettering", "Window graphics"}
    for scores in (result["stages"], result["jobs"]):
        for score in scores.values():
            check_score(score)
    assert result["stages"]["all"]["n"] == 2 * 20 - 1  # forecasts after five jobs; one record is unfit
    assert result["jobs"]["all"]["n"] == 20 - 1


def test_drivers_make_it_better_than_both_simple_forecasts(shop: Shop) -> None:
    score = json.loads(run("--json"))["stages"]["all"]
    assert score["crps_min"] < score["baselines"]["mean_plus_quarter"]["crps_min"]
    assert score["crps_min"] < score["baselines"]["past_quantiles"]["crps_min"]


def test_the_mean_and_a_quarter_is_what_a_hand_would_reckon() -> None:
    """Two jobs of 10 and 20 min, then one of 30: mean 15, and a quarter 18.75; off by 11.25 min."""
    shop = shop_create(slug="hill", name="Hill Signs")
    for n, minutes in enumerate((10, 20, 30)):
        finish(a_job(shop), "hemming", minutes, MONDAY + n * timedelta(days=1))
    simple = json.loads(run("--json", "--first", "2"))["stages"]["all"]["baselines"]
    assert simple["mean_plus_quarter"]["crps_min"] == pytest.approx(11.25)
    # Of the sample 10, 20 at 30: mean distance 15, less a quarter of the mean spread 2 · 10 / 4 (CRPS of an ensemble).
    assert simple["past_quantiles"]["crps_min"] == pytest.approx(15 - 10 / 4)


def test_every_forecast_is_written_with_what_then_happened(shop: Shop, tmp_path: Path) -> None:
    path = tmp_path / "forecasts.csv"
    run("--forecasts", str(path), "--first", "10")
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == ["job", "stage", *QUANTILES, "actual_min", "used", "why"]
    assert len(rows) == 15 * 3
    assert {row["stage"] for row in rows} == {"Hemming", "Welding", "job total"}
    for row in rows:
        minutes = [float(row[name]) for name in QUANTILES]
        assert minutes == sorted(minutes)
    unfit = [row for row in rows if row["used"] == "0"]
    assert [(row["job"], row["stage"]) for row in unfit] == [("21", "Welding"), ("21", "job total")]
    assert all("no minutes were clocked" in row["why"] for row in unfit)
    job = [row for row in rows if row["job"] == "11"]
    assert float(job[2]["actual_min"]) == pytest.approx(
        sum(float(row["actual_min"]) for row in job[:2]), abs=0.002
    )
    assert list(tmp_path.iterdir()) == [path]


def test_what_is_walked_is_what_the_samples_say(shop: Shop) -> None:
    sweep_shop(shop)
    records = job_records(shop)
    assert [record.key for record in records] == [str(n) for n in range(1, 26)]
    first = records[0]
    assert first.finished_at == to_minutes(EPOCH, MONDAY + timedelta(hours=3))
    assert [stage.stage for stage in first.stages] == ["Hemming", "Welding"]
    assert json.loads(run("--json")) == walk(records).to_dict()
    assert isinstance(first, JobRecord)
    assert isinstance(first.stages[0], StageRecord)


def test_the_history_is_read_with_few_queries(shop: Shop, django_assert_max_num_queries: Any) -> None:
    sweep_shop(shop)
    with django_assert_max_num_queries(3):
        job_records(shop)


def test_the_table_is_for_people(shop: Shop) -> None:
    out = run()
    assert "25 finished jobs" in out
    assert out.index("Hemming") < out.index("Lettering")
    assert "in P80" in out


def test_without_history_it_says_what_to_do() -> None:
    with pytest.raises(CommandError, match="no shop yet"):
        run("--json")
    shop_create(slug="quay", name="Quay Signs")
    with pytest.raises(CommandError, match="Quay Signs has no finished job yet"):
        run("--json")


def test_too_short_a_history_and_a_place_that_cannot_be_written_are_refused(
    shop: Shop, tmp_path: Path
) -> None:
    with pytest.raises(CommandError, match="25 finished jobs, and forecasts were to begin after 25"):
        run("--first", "25")
    with pytest.raises(CommandError, match="--first is -1"):
        run("--first", "-1")
    with pytest.raises(CommandError, match="cannot be written"):
        run("--forecasts", str(tmp_path / "none" / "forecasts.csv"))


def test_only_the_days_asked_for_are_forecast_and_scored(shop: Shop, tmp_path: Path) -> None:
    path = tmp_path / "forecasts.csv"
    days = [shop.local(MONDAY + n * timedelta(days=1)).date().isoformat() for n in (12, 15)]
    result = json.loads(run("--json", "--from", days[0], "--to", days[1], "--forecasts", str(path)))
    with path.open(encoding="utf-8", newline="") as file:
        jobs = {row["job"] for row in csv.DictReader(file)}
    assert jobs == {"13", "14", "15", "16"}
    assert result["jobs"]["all"]["n"] == 4


def test_a_driver_that_may_not_be_known_makes_forecasts_worse(shop: Shop) -> None:
    with_it, without = (
        json.loads(run("--json", *options))["stages"]["all"] for options in ((), ("--leave-out", "area_m2"))
    )
    assert without["crps_min"] > 1.2 * with_it["crps_min"]
    assert without["baselines"] == with_it["baselines"]


def test_as_of_the_start_hardly_differs_where_jobs_do_not_run_beside_each_other(shop: Shop) -> None:
    """Each job starts after the one before it has finished, so a start knows all that a finish does."""
    start, finished = (json.loads(run("--json", "--as-of", moment)) for moment in ("start", "finish"))
    assert start["stages"]["all"]["n"] == finished["stages"]["all"]["n"]
    assert start["stages"]["all"]["baselines"] == finished["stages"]["all"]["baselines"]
    assert start["jobs"]["all"]["crps_min"] == pytest.approx(finished["jobs"]["all"]["crps_min"], rel=0.05)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--from", "yesterday"), "'yesterday' is no day"),
        (("--from", "2026-05-02", "--to", "2026-05-01"), "is after the last"),
        (("--from", "2036-05-02"), "no finished job in those days"),
        (("--leave-out", "moon"), "'moon'.*area_m2"),
    ],
)
def test_options_that_make_no_sense_are_named(shop: Shop, options: tuple[str, ...], words: str) -> None:
    with pytest.raises(CommandError, match=words):
        run(*options)


def test_stopping_it_leaves_no_half_file(shop: Shop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = Walk.step

    def step(self: Walk) -> list[Any]:
        if self.done == 15:
            raise KeyboardInterrupt
        return real(self)

    monkeypatch.setattr(Walk, "step", step)
    with pytest.raises(CommandError, match="Stopped before the end"):
        run("--forecasts", str(tmp_path / "forecasts.csv"))
    assert list(tmp_path.iterdir()) == []


def test_a_terminal_is_told_how_far_it_is_and_the_answer_stays_pure(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    out, err = StringIO(), StringIO()
    call_command("backtest", "--json", stdout=out, stderr=err)
    assert "25 of 25 (100 %)" in err.getvalue()
    assert set(json.loads(out.getvalue())) == {"stages", "jobs", "plan"}
