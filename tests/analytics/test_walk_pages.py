"""The pages of walks through the past, as each role has them, with and without scripts."""

import csv
import json
from io import StringIO
from pathlib import Path

import pytest
from django.core.management import call_command
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from analytics import tasks
from analytics.models import BacktestRun, RunState
from analytics.services import walks
from analytics.services.backtesting import Wanted
from analytics.services.walks import WALKS
from shop.models import Membership, Role, Shop, User
from shop.services import shop_create
from tests.analytics.test_walks import JOBS, one_more, shop, to_its_end

__all__ = ["shop"]
pytestmark = pytest.mark.django_db
LIST = "/forecasts/walks/"
PART = {"X-Part": "1"}


def client_of(shop: Shop, role: Role) -> Client:
    user = User.objects.create_user(f"{role.value}-{shop.slug}")
    Membership.objects.create(user=user, shop=shop, role=role)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


@pytest.fixture
def planner(shop: Shop) -> Client:
    return client_of(shop, Role.PLANNER)


@pytest.fixture
def no_worker(monkeypatch: pytest.MonkeyPatch) -> None:
    """Messages are taken, and nobody reads them."""
    monkeypatch.setattr(tasks.carry_on_walk, "apply_async", lambda *_, **__: None)


def walked(shop: Shop) -> BacktestRun:
    run = walks.run_want(shop, Wanted(), None, timezone.now())
    to_its_end(run)
    return run


def test_a_planner_begins_one_and_the_worker_takes_it(
    shop: Shop, planner: Client, django_capture_on_commit_callbacks
) -> None:
    with django_capture_on_commit_callbacks(execute=True):
        answer = planner.post(
            LIST, {"first": "6", "scored_from": "", "scored_to": "", "leave_out": ["job_type"]}
        )
    run = BacktestRun.objects.get()
    assert answer["Location"] == reverse("analytics:walk", args=[run.pk])
    assert (run.state, run.first, run.leave_out, run.asked_by.username) == (
        RunState.DONE,
        6,
        ["job_type"],
        "planner-quay",
    )
    text = planner.get(answer["Location"]).content.decode()
    assert "Hemming" in text
    assert "Not known</dt><dd>Job type" in text
    assert "<svg" in text


def test_the_page_of_a_walk_shows_the_scores_that_the_command_prints(shop: Shop, planner: Client) -> None:
    run = walked(shop)
    out = StringIO()
    call_command("backtest", "--json", stdout=out)
    answer = planner.get(reverse("analytics:walk-json", args=[run.pk]))
    assert answer["Content-Type"] == "application/json"
    assert json.loads(answer.content) == json.loads(out.getvalue())


def test_its_forecasts_come_as_the_file_that_the_command_writes(
    shop: Shop, planner: Client, tmp_path: Path
) -> None:
    run = walked(shop)
    path = tmp_path / "forecasts.csv"
    call_command("backtest", "--json", "--forecasts", str(path), stdout=StringIO())
    text = planner.get(reverse("analytics:walk-csv", args=[run.pk])).content.decode()
    rows = list(csv.reader(StringIO(text)))
    with path.open(encoding="utf-8", newline="") as file:
        assert rows == list(csv.reader(file))
    assert len(rows) == 1 + 3 * (JOBS - 5)


def test_while_it_runs_the_page_asks_for_the_part_that_moves(
    shop: Shop, planner: Client, no_worker: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(walks, "BEAT", 0.0)
    run = walks.run_want(shop, Wanted(), None, timezone.now())
    url = reverse("analytics:walk", args=[run.pk])
    page = planner.get(url)
    assert "Waits for its turn" in page.content.decode()
    assert "analytics/js/walk.js" in page.content.decode()
    tag = page["ETag"]
    assert planner.get(url, headers={**PART, "If-None-Match": tag}).status_code == 304
    for _ in range(8):
        WALKS.carry_on(run.pk, 0.0)
    moved = planner.get(url, headers={**PART, "If-None-Match": tag})
    text = moved.content.decode()
    assert moved.status_code == 200
    assert "<html" not in text
    assert f"8 of {JOBS}" in text
    assert f'value="8" max="{JOBS}"' in text
    to_its_end(run)
    assert "data-under-way" not in planner.get(url, headers=PART).content.decode()


def test_it_is_stopped_gone_on_with_and_removed(shop: Shop, planner: Client, no_worker: None) -> None:
    run = walks.run_want(shop, Wanted(), None, timezone.now())
    for press, state in (("walk-stop", RunState.STOPPED), ("walk-go-on", RunState.WANTED)):
        planner.post(reverse(f"analytics:{press}", args=[run.pk]))
        run.refresh_from_db()
        assert run.state == state
    answer = planner.post(reverse("analytics:walk-go-on", args=[run.pk]), follow=True)
    assert "cannot go on" in answer.content.decode()
    assert planner.post(reverse("analytics:walk-remove", args=[run.pk]))["Location"] == LIST
    assert not BacktestRun.objects.exists()


@pytest.mark.parametrize(
    ("sent", "words"),
    [
        ({"first": "x"}, "whole number"),
        ({"first": str(JOBS)}, "22 finished jobs"),
        ({"first": "5", "scored_from": "2026-05-02", "scored_to": "2026-05-01"}, "after the last"),
        ({"first": "5", "scored_from": "2036-05-02"}, "no finished job in those days"),
        ({"first": "5", "leave_out": ["moon"]}, "moon is not one of the available choices"),
    ],
)
def test_a_wish_that_makes_no_sense_is_answered_at_its_field(
    shop: Shop, planner: Client, sent: dict[str, str], words: str
) -> None:
    answer = planner.post(LIST, sent)
    assert answer.status_code == 422
    assert words in answer.content.decode()
    assert "--first" not in answer.content.decode()
    assert not BacktestRun.objects.exists()


def test_a_viewer_looks_and_presses_nothing(shop: Shop) -> None:
    run, viewer = walked(shop), client_of(shop, Role.VIEWER)
    text = viewer.get(LIST).content.decode()
    assert "Begin a walk" not in text
    page = viewer.get(reverse("analytics:walk", args=[run.pk])).content.decode()
    assert "Hemming" in page
    assert "Remove" not in page
    assert viewer.post(LIST, {"first": "5"}).status_code == 403
    for press in ("walk-stop", "walk-go-on", "walk-remove"):
        assert viewer.post(reverse(f"analytics:{press}", args=[run.pk])).status_code == 403
    assert BacktestRun.objects.count() == 1


def test_another_shops_walks_are_not_there(shop: Shop) -> None:
    run = walked(shop)
    other = shop_create(slug="hill", name="Hill Signs")
    stranger = client_of(other, Role.OWNER)
    for name in ("walk", "walk-csv", "walk-json"):
        assert stranger.get(reverse(f"analytics:{name}", args=[run.pk])).status_code == 404
    for press in ("walk-stop", "walk-go-on", "walk-remove"):
        assert stranger.post(reverse(f"analytics:{press}", args=[run.pk])).status_code == 404
    assert "nothing to walk through" in stranger.get(LIST).content.decode()


def test_people_see_their_own_estimates_beside_the_forecasts(shop: Shop, planner: Client) -> None:
    run = walked(shop)
    url = reverse("analytics:walk", args=[run.pk])
    assert "Your own estimates" not in planner.get(url).content.decode()
    BacktestRun.objects.filter(pk=run.pk).update(
        result={**run.result, "plan": {"n": 40, "crps_min": 75.4, "ours_crps_min": 57.1}}
    )
    text = planner.get(url).content.decode()
    assert "1 h 15" in text
    assert "57 min" in text


def test_what_failed_says_why(shop: Shop, planner: Client) -> None:
    run = walks.run_want(shop, Wanted(), None, timezone.now())
    BacktestRun.objects.filter(pk=run.pk).update(
        state=RunState.FAILED, error="Quay Signs has 3 finished jobs."
    )
    text = planner.get(reverse("analytics:walk", args=[run.pk])).content.decode()
    assert "Quay Signs has 3 finished jobs." in text
    assert "Go on" in text
    one_more(shop, JOBS, 9.0)
    assert "Not done" in planner.get(LIST).content.decode()
