"""Sharing what was learned: only published numbers cross from shop to shop, and the same rows come again."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from django.test import Client

from analytics.engine.across import published
from analytics.models import AdoptedPrior, ModelState, Sample
from analytics.selectors.models import learned_stages
from analytics.selectors.sharing import published_of, said_by_others
from analytics.services.learning import learn_shop, sweep_shop
from analytics.services.relearning import is_outdated, relearn_outdated
from analytics.services.sharing import prior_take, sharing_set
from shop.errors import ShopError
from shop.models import Membership, Person, Role, Shop, User
from shop.services import shop_create
from tests.analytics.derived import MONDAY, a_job, finish, learned_rows

pytestmark = pytest.mark.django_db
URL = "/sharing/"
SECRETS = ("Zebulon", "Quirkprint", "brindle", "Farthing")
"""What a shop calls its people, job types and drivers, and itself."""


def make(slug: str, level: float, n: int = 24, *, shares: bool = True, name: str = "") -> Shop:
    """A shop that takes `level` times as long at masking as the trade's formula."""
    shop = shop_create(slug=slug, name=name or slug.title())
    rng = np.random.default_rng([ord(letter) for letter in slug])
    person = Person.objects.create(shop=shop, name="Zebulon")
    for i in range(n):
        area = float(rng.uniform(1, 6))
        minutes = level * (2.0 + 5.0 * area) * float(np.exp(0.2 * rng.standard_normal()))
        finish(
            a_job(shop, "Quirkprint"),
            "mask",
            minutes,
            MONDAY + i * timedelta(days=1),
            person=person,
            area_m2=area,
            brindle=3.0,
        )
    Shop.objects.filter(pk=shop.pk).update(shares_learning=shares)
    shop.refresh_from_db()
    sweep_shop(shop)
    return shop


@pytest.fixture
def others() -> list[Shop]:
    """Four shops that share; they take about twice the trade's minutes."""
    levels = (1.9, 2.0, 2.1, 2.2)
    return [make(f"other-{i}", level, name=f"Farthing {i}") for i, level in enumerate(levels)]


@pytest.fixture
def mine() -> Shop:
    return make("mine", 2.0, n=6)


def owner_of(shop: Shop, role: Role = Role.OWNER) -> Client:
    user = User.objects.create_user(f"{role.value}-{shop.slug}")
    Membership.objects.create(user=user, shop=shop, role=role)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


def masking(shop: Shop) -> float:
    return float(learned_stages(shop).forecast("mask", "hands_on", {"area_m2": 3.0}, {}).quantile(0.5))


def test_a_new_shop_begins_where_the_others_are(others: list[Shop]) -> None:
    new = make("new", 2.0, n=0)
    before = masking(new)
    assert before == pytest.approx(17.0, rel=0.05)  # the trade's formula: 2 + 5 × 3 minutes
    assert prior_take(new, MONDAY) == 1
    assert 1.5 * 17.0 < masking(new) < 2.3 * 17.0


def test_rebuild_gives_the_same_rows_with_what_was_taken(others: list[Shop], mine: Shop) -> None:
    without = learned_rows(mine)
    prior_take(mine, MONDAY)
    assert is_outdated(mine)
    relearn_outdated(mine)
    taken = learned_rows(mine)
    assert not is_outdated(mine)
    assert taken != without
    finish(a_job(others[0]), "mask", 600.0, MONDAY + timedelta(days=90), area_m2=1.0)
    sweep_shop(others[0])
    learn_shop(mine)
    assert learned_rows(mine) == taken


def test_stages_learned_one_by_one_and_all_together_are_the_same(others: list[Shop], mine: Shop) -> None:
    prior_take(mine, MONDAY)
    relearn_outdated(mine)
    finish(a_job(mine), "mask", 31.0, MONDAY + timedelta(days=60), area_m2=2.0)
    sweep_shop(mine)
    alone = learned_rows(mine)
    learn_shop(mine)
    assert learned_rows(mine) == alone


def test_turning_off_gives_back_what_was_taken(others: list[Shop], mine: Shop) -> None:
    without = learned_rows(mine)
    prior_take(mine, MONDAY)
    relearn_outdated(mine)
    sharing_set(mine, on=False)
    relearn_outdated(mine)
    assert not AdoptedPrior.objects.of(mine).exists()
    assert learned_rows(mine) == without
    with pytest.raises(ShopError, match="Begin to share first"):
        prior_take(mine, MONDAY)
    assert not AdoptedPrior.objects.exists()


def test_only_shops_that_share_are_asked_and_too_few_give_nothing(others: list[Shop], mine: Shop) -> None:
    prior_take(mine, MONDAY)
    assert AdoptedPrior.objects.get().shops == 4
    for other in others[:2]:
        sharing_set(other, on=False)
    assert len(said_by_others(mine)["mask", "hands_on"]) == 2
    with pytest.raises(ShopError, match="at least 3 other shops"):
        prior_take(mine, MONDAY + timedelta(days=1))
    assert AdoptedPrior.objects.get().taken_at == MONDAY  # as it was


def test_nothing_but_published_numbers_crosses(others: list[Shop], mine: Shop) -> None:
    """The prior is the same whatever else the others hold, and has no word of theirs."""
    prior_take(mine, MONDAY)
    row = AdoptedPrior.objects.get()
    text = json.dumps([row.kind_key, row.part, row.prior])
    assert not any(secret in text for secret in SECRETS)
    for other in others:
        Sample.objects.of(other).delete()
        Person.objects.of(other).update(name="Somebody else")
    prior_take(mine, MONDAY)
    assert AdoptedPrior.objects.get().prior == row.prior
    ModelState.objects.of(others[0]).delete()
    prior_take(mine, MONDAY)
    assert AdoptedPrior.objects.get().prior != row.prior


def test_what_a_shop_took_does_not_go_on_to_others(others: list[Shop]) -> None:
    shop = make("fifth", 0.5)
    before = published_of(shop)
    prior_take(shop, MONDAY)
    assert published_of(shop) == before
    assert before


def test_the_page_is_the_owners(mine: Shop) -> None:
    for role in (Role.PLANNER, Role.MAKER, Role.VIEWER):
        client = owner_of(mine, role)
        assert client.get(URL).status_code == 403
        assert client.post(URL, {"do": "off"}).status_code == 403
    assert Client().get(URL).status_code == 302
    mine.refresh_from_db()
    assert mine.shares_learning


def test_alone_it_says_that_there_is_no_other(mine: Shop) -> None:
    sharing_set(mine, on=False)
    client = owner_of(mine)
    assert "no other shop" in client.get(URL).content.decode()
    answer = client.post(URL, {"do": "take"}, follow=True).content.decode()
    assert "Begin to share first" in answer
    client.post(URL, {"do": "on"})
    mine.refresh_from_db()
    assert mine.shares_learning
    assert "Nothing was taken" in client.post(URL, {"do": "take"}, follow=True).content.decode()
    assert client.post(URL, {"do": "all of it"}).status_code == 400


def test_the_page_shows_exactly_what_leaves_and_nothing_of_others(
    others: list[Shop], django_capture_on_commit_callbacks: Any
) -> None:
    shop = make("seen", 3.0)
    client = owner_of(shop)
    with django_capture_on_commit_callbacks(execute=True):
        answer = client.post(URL, {"do": "take"}, follow=True).content.decode()
    assert "being learned again" in answer
    text = client.get(URL).content.decode()
    assert "being learned again" not in text
    assert "4 other shops share" in text
    assert "Last taken" in text
    [said] = published_of(shop)
    assert said == published(learned_stages(shop).state("mask", "hands_on"))
    assert f"{np.exp(said.mean[0]):.2f}" in text
    assert json.dumps(said.to_dict()).replace('"', "&quot;") in text
    assert not any(secret in text for secret in ("Farthing", "Zebulon", "Quirkprint", "brindle"))
    assert not is_outdated(shop)
