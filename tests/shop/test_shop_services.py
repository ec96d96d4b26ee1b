"""Writing the shop's own facts: the first owner, log-ins, hours, closures, and what is listed."""

import threading
from datetime import date, time

import pytest
from django.db import OperationalError, connection

from jobs.models import JobType
from jobs.services.jobs import job_create
from shop.errors import BadInput, ShopError
from shop.models import (
    Closure,
    Finish,
    Machine,
    Media,
    Membership,
    OpeningHours,
    Person,
    Process,
    Role,
    Shop,
    Skill,
    User,
)
from shop.selectors import opening_hours
from shop.services import shop_create, shop_update, weekday_hours_create
from shop.services.hours import closure_create, hours_replace
from shop.services.logins import (
    login_create,
    login_remove,
    owner_setup,
    password_reset,
    role_change,
)
from shop.services.rows import row_remove, row_restore, row_save, uses

pytestmark = pytest.mark.django_db

PASSWORD = "three grey gulls"


def setup_owner(username: str = "Ada", **facts) -> Membership:
    return owner_setup(username=username, password=PASSWORD, **{"name": "Quay Signs", **facts})


@pytest.fixture
def shop() -> Shop:
    return setup_owner().shop


def test_the_first_owner_gets_a_shop_with_stock_hours_and_a_place_among_the_people():
    member = setup_owner("ada", time_zone="Europe/Berlin", holiday_country="DE")
    shop = member.shop
    assert (shop.slug, shop.name, shop.time_zone) == ("quay-signs", "Quay Signs", "Europe/Berlin")
    assert member.role == Role.OWNER
    assert member.user.check_password(PASSWORD)
    assert opening_hours(shop)[4] == [(time(8, 30), time(17))]
    assert JobType.objects.of(shop).exists()
    person = Person.objects.of(shop).get()
    assert (person.name, person.user) == ("Ada", member.user)
    assert person.skills.count() == Skill.objects.of(shop).count() > 0


def test_setting_up_is_refused_once_there_is_an_owner_and_leaves_nothing(shop):
    with pytest.raises(ShopError, match="set up already"):
        setup_owner("Ben")
    assert Shop.objects.count() == 1
    assert not User.objects.filter(username="Ben").exists()


def test_a_shop_made_before_any_log_in_is_taken_over_with_its_rows():
    imported = shop_create(slug="shop", name="Shop")
    weekday_hours_create(imported, time(6), time(14))
    ben = Person.objects.create(shop=imported, name="ben")
    job = job_create(shop=imported, job_type=JobType.objects.of(imported)[0], title="Old sign")
    member = setup_owner("Ben", name="Quay Signs", time_zone="Europe/Berlin")
    assert member.shop == imported
    imported.refresh_from_db()
    assert (imported.slug, imported.name, imported.time_zone) == ("shop", "Quay Signs", "Europe/Berlin")
    assert opening_hours(imported)[0] == [(time(6), time(14))]
    assert [job.shop_id, Shop.objects.count()] == [imported.pk, 1]
    ben.refresh_from_db()
    assert ben.user == member.user


def test_a_bad_country_leaves_neither_user_nor_shop():
    shop_create(slug="shop", name="Shop")
    with pytest.raises(BadInput, match="no region"):
        setup_owner(holiday_country="DE", holiday_region="ZZ")
    assert not User.objects.exists()
    assert Shop.objects.get().name == "Shop"


@pytest.mark.django_db(transaction=True)
def test_two_people_who_set_up_at_the_same_moment_make_one_owner():
    gate, told = threading.Barrier(4), []

    def walk(name: str) -> None:
        gate.wait()
        try:
            told.append(press(name))
        finally:
            connection.close()

    def press(name: str) -> str:
        while True:
            try:
                setup_owner(name, name=f"{name}'s shop")
            except ShopError:
                return "refused"
            except OperationalError:  # SQLite in memory does not wait for a lock as a file does
                continue
            return "made"

    threads = [threading.Thread(target=walk, args=(name,)) for name in ("Ada", "Ben", "Cem", "Dot")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(told) == ["made", "refused", "refused", "refused"]
    assert Membership.objects.filter(role=Role.OWNER).count() == Shop.objects.count() == 1


def test_a_log_in_is_given_with_a_password_for_one_time(shop):
    ben = Person.objects.create(shop=shop, name="Ben")
    user, password = login_create(shop=shop, username="ben", role=Role.MAKER, person=ben)
    assert user.check_password(password)
    assert user.password_is_one_time
    assert user.membership.role == Role.MAKER
    ben.refresh_from_db()
    assert ben.user == user
    with pytest.raises(BadInput, match="already is a log-in"):
        login_create(shop=shop, username="BEN", role=Role.VIEWER)
    with pytest.raises(BadInput, match="has a log-in already"):
        login_create(shop=shop, username="benno", role=Role.VIEWER, person=ben)
    assert not User.objects.filter(username="benno").exists()


def test_the_last_owner_is_neither_demoted_nor_removed(shop):
    ada = Membership.objects.get()
    for refused in (lambda: role_change(ada, Role.PLANNER), lambda: login_remove(ada)):
        with pytest.raises(ShopError, match="only owner"):
            refused()
    ada.refresh_from_db()
    assert ada.role == Role.OWNER
    ben = login_create(shop=shop, username="ben", role=Role.MAKER)[0].membership
    assert role_change(ben, Role.OWNER).role == Role.OWNER
    login_remove(ada)
    assert Membership.objects.get() == ben
    assert Person.objects.of(shop).get().user is None


def test_a_reset_password_is_new_and_for_one_time(shop):
    ada = Membership.objects.get()
    password = password_reset(ada)
    user = User.objects.get()
    assert user.check_password(password)
    assert not user.check_password(PASSWORD)
    assert user.password_is_one_time


@pytest.mark.parametrize(
    ("week", "told"),
    [
        ({}, "never be open"),
        ({0: [], 1: []}, "never be open"),
        ({1: [(time(18), time(2))]}, "close Tuesday at 00:00 and open Wednesday from 00:00 to 02:00"),
        ({6: [(time(20), time(4))]}, "open Monday from 00:00"),
        ({2: [(time(9), time(9))]}, "later time to close"),
        ({3: [(time(8), time(12)), (time(11), time(17))]}, "Thursday opens again at 11:00"),
        ({3: [(time(8), time(0)), (time(20), time(23))]}, "Thursday opens again at 20:00"),
    ],
)
def test_hours_that_cannot_be_are_refused_with_a_remedy_and_the_old_ones_stay(shop, week, told):
    before = opening_hours(shop)
    with pytest.raises(BadInput) as bad:
        hours_replace(shop, week)
    assert told in bad.value.message
    assert opening_hours(shop) == before


def test_midnight_closes_a_day_and_two_windows_may_touch(shop):
    week = {5: [(time(18), time(0))], 6: [(time(0), time(2)), (time(2), time(4))]}
    hours_replace(shop, week)
    assert opening_hours(shop) == week
    assert OpeningHours.objects.count() == 3


def test_closures_are_neither_reversed_nor_years_long(shop):
    with pytest.raises(BadInput, match="comes before the first"):
        closure_create(shop=shop, starts_on=date(2027, 1, 2), ends_on=date(2027, 1, 1))
    with pytest.raises(BadInput, match="732 days"):
        closure_create(shop=shop, starts_on=date(2027, 1, 1), ends_on=date(2029, 1, 1))
    assert not Closure.objects.exists()
    closure_create(shop=shop, starts_on=date(2027, 1, 1), ends_on=date(2027, 12, 31))


def test_names_are_unique_whatever_their_capitals(shop):
    row_save(Machine(shop=shop, name="Wide printer", kind="printer"))
    with pytest.raises(BadInput, match="already is"):
        row_save(Machine(shop=shop, name="WIDE printer", kind="printer"))
    other = shop_create(slug="hill", name="Hill Signs")
    row_save(Machine(shop=other, name="Wide printer", kind="printer"))


def test_what_is_used_is_retired_and_comes_back_and_the_rest_is_deleted(shop):
    used, unused = (Media(shop=shop, name=name, width_mm=1370) for name in ("White film", "Clear film"))
    row_save(used)
    row_save(unused)
    job_create(shop=shop, job_type=JobType.objects.of(shop)[0], title="Sign", media=used)
    assert row_remove(unused)
    assert not row_remove(used)
    kept = Media.objects.get()
    assert not kept.active
    row_restore(kept)
    assert Media.objects.get().active


def test_a_finish_in_use_says_what_uses_it(shop):
    gloss = Finish.objects.of(shop).get(name="Gloss laminate")
    with pytest.raises(ShopError, match="used by 3 processes"):
        row_remove(gloss)
    row_save(Finish(shop=shop, name="Liquid"))
    assert row_remove(Finish.objects.get(name="Liquid"))


def test_a_process_is_in_use_where_a_machine_does_it_or_a_job_has_it(shop):
    latex = Process.objects.of(shop).get(name="Latex")
    assert uses(latex) == {}
    row_save(Machine(shop=shop, name="Wide printer", kind="printer"), {"processes": [latex]})
    job_create(shop=shop, job_type=JobType.objects.of(shop)[0], title="Sign", process=latex)
    assert uses(latex) == {"machine": 1, "job": 1}


def test_every_write_raises_the_revision_that_live_pages_look_at(shop):
    before = Shop.objects.get().revision
    shop_update(shop, units="imperial")
    hours_replace(shop, {0: [(time(8), time(9))]})
    row_save(Skill(shop=shop, name="Gilding"))
    closure_create(shop=shop, starts_on=date(2027, 1, 1), ends_on=date(2027, 1, 1))
    assert Shop.objects.get().revision == before + 4
