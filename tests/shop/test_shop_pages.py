"""The settings and the set-up, as a browser without scripts uses them."""

import re
from datetime import UTC, date, datetime, time

import pytest
import time_machine
from django.test import Client
from django.urls import reverse

from jobs.models import JobType
from jobs.services.jobs import job_create
from shop.models import (
    Closure,
    Finish,
    Machine,
    Media,
    Membership,
    Person,
    Process,
    Role,
    Shop,
    Skill,
    Units,
    User,
)
from shop.selectors import opening_hours
from shop.services import shop_create
from shop.services.logins import login_create, owner_setup

pytestmark = pytest.mark.django_db

PASSWORD = "three grey gulls"


def log_in(user: User) -> Client:
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


@pytest.fixture
def shop() -> Shop:
    return owner_setup(username="ada", password=PASSWORD, name="Quay Signs", time_zone="Europe/Berlin").shop


@pytest.fixture
def owner(shop: Shop) -> Client:
    return log_in(User.objects.get(username="ada"))


@pytest.fixture
def planner(shop: Shop) -> Client:
    return log_in(login_create(shop=shop, username="pia", role=Role.PLANNER)[0])


def first_page(**more) -> dict[str, str]:
    sent = {
        "username": "ada",
        "password": PASSWORD,
        "again": PASSWORD,
        "name": "Quay Signs",
        "time_zone": "Europe/Berlin",
        "holiday_country": "DE",
        "units": "metric",
        "currency": "EUR",
        "confidence": "0.8",
    }
    return {**sent, **more}


def shown(client: Client, url: str) -> dict[str, str | list[str]]:
    """What a browser would send back for the forms of a page, as they are shown."""
    page, sent = client.get(url).content.decode(), {}
    for tag in re.findall(r"<input[^>]*>", page):
        found = dict(re.findall(r'(\w+)="([^"]*)"', tag))
        if found.get("type") == "checkbox":
            if " checked" in tag:
                sent.setdefault(found["name"], []).append(found.get("value", "on"))
        elif "name" in found and "__prefix__" not in found["name"]:
            sent[found["name"]] = found.get("value", "")
    for name, options in re.findall(r'<select name="([^"]*)".*?>(.*?)</select>', page, re.S):
        chosen = re.search(r'value="([^"]*)" selected', options) or re.search(r'value="([^"]*)"', options)
        if "__prefix__" not in name:
            sent[name] = chosen[1] if chosen else ""
    return sent


def week(**windows: tuple[str, str]) -> dict[str, str]:
    """A post of hours: 'd0' or 'd0_1' (second window) to times."""
    sent = {}
    for key, (opens, closes) in windows.items():
        day, _, k = key[1:].partition("_")
        sent |= {f"opens_{day}_{k or 0}": opens, f"closes_{day}_{k or 0}": closes}
    return sent


def test_an_empty_program_leads_to_the_set_up_and_then_to_the_log_in():
    client = Client()
    assert client.get("/").url == reverse("shop:setup")
    assert client.get(reverse("login")).url == reverse("shop:setup")
    owner_setup(username="ada", password=PASSWORD, name="Quay Signs")
    assert client.get("/").url.startswith(reverse("login"))
    assert client.get(reverse("shop:setup")).url == reverse("login")
    assert client.post(reverse("shop:setup"), first_page(username="eve")).url == reverse("login")
    assert User.objects.count() == 1


def test_the_first_page_guesses_from_the_browsers_languages():
    page = Client(headers={"accept-language": "en-US,en;q=0.9"}).get(reverse("shop:setup")).content.decode()
    for value in ("US", "USD", "imperial", "0.8"):
        assert f'value="{value}" selected' in page
    assert 'list="id_time_zone_list"' in page
    assert '<option value="Europe/Berlin">' in page


@pytest.mark.parametrize(
    ("wrong", "field", "told"),
    [
        ({"again": "three grey gull"}, "again", "differ"),
        ({"password": "12345678", "again": "12345678"}, "password", "too common"),
        ({"username": "ada b"}, "username", "without spaces"),
        ({"time_zone": "Berlim"}, "time_zone", "Did you mean Europe/Berlin"),
        ({"holiday_country": "QQ"}, "holiday_country", "not one of the available choices"),
        ({"name": ""}, "name", "required"),
        ({"confidence": "1.5"}, "confidence", "not one of the available choices"),
    ],
)
def test_a_bad_first_page_says_so_at_the_field_and_makes_nothing(wrong, field, told):
    answer = Client().post(reverse("shop:setup"), first_page(**wrong))
    assert answer.status_code == 422
    error = re.search(rf'id="id_{field}_error">([^<]*)', answer.content.decode())
    assert error
    assert told in error[1]
    assert not User.objects.exists()
    assert not Shop.objects.exists()


def test_the_whole_set_up_ends_at_the_first_enquiry():
    client = Client()
    assert client.post(reverse("shop:setup"), first_page(time_zone="berlin")).url == reverse(
        "shop:setup-hours"
    )
    shop = Shop.objects.get()
    assert shop.time_zone == "Europe/Berlin"

    sent = shown(client, reverse("shop:setup-hours")) | week(d5=("09:00", "12:00")) | {"holiday_region": "BY"}
    assert client.post(reverse("shop:setup-hours"), sent).url == reverse("shop:setup-people")
    assert opening_hours(shop)[5] == [(time(9), time(12))]
    assert opening_hours(shop)[0] == [(time(8, 30), time(17))]
    shop.refresh_from_db()
    assert shop.holiday_region == "BY"

    sent = shown(client, reverse("shop:setup-people"))
    assert sent["people-0-name"] == "Ada"
    weeding = Skill.objects.of(shop).get(name="Finishing")
    sent |= {"people-1-name": "Ben", "people-1-skills": [weeding.pk]}
    assert client.post(reverse("shop:setup-people"), sent).url == reverse("shop:setup-work")
    assert list(Person.objects.of(shop).values_list("name", flat=True)) == ["Ada", "Ben"]
    assert Person.objects.get(name="Ben").skills.get() == weeding

    sent = shown(client, reverse("shop:setup-work"))
    solvent = Process.objects.of(shop).get(name="Solvent")
    sent |= {"processes": [solvent.pk], "films-0-name": "White film"}
    assert client.post(reverse("shop:setup-work"), sent).url == reverse("shop:setup-done")
    assert client.get(reverse("shop:setup-done")).url == reverse("analytics:enquiry")
    assert list(Machine.objects.values_list("name", "kind")) == [
        ("Bench", "bench"),
        ("Print-and-cut", "print_and_cut"),
    ]
    assert list(Process.objects.of(shop).filter(active=True)) == [solvent]
    assert Media.objects.get().width_mm == 1370


def test_the_later_pages_can_be_gone_through_twice_without_doubling(owner, shop):
    for _ in range(2):
        for step in ("setup-hours", "setup-people", "setup-work"):
            sent = shown(owner, reverse(f"shop:{step}"))
            assert owner.post(reverse(f"shop:{step}"), sent).status_code == 302
    assert [Person.objects.count(), Machine.objects.count(), Media.objects.count()] == [1, 2, 0]
    assert len(opening_hours(shop)) == 5


def test_a_line_is_added_without_a_script_and_nothing_is_saved(owner):
    url = reverse("shop:setup-people")
    sent = shown(owner, url) | {"people-1-name": "Ben", "add_row": "people"}
    page = owner.post(url, sent)
    assert page.status_code == 200
    assert 'name="people-3-name"' in page.content.decode()
    assert 'value="Ben"' in page.content.decode()
    assert Person.objects.count() == 1


def test_a_name_entered_twice_is_said_at_its_line_and_none_is_saved(owner, shop):
    url = reverse("shop:setup-people")
    sent = shown(owner, url) | {"people-1-name": "Ben", "people-2-name": "ben"}
    answer = owner.post(url, sent)
    assert answer.status_code == 422
    assert 'id="id_people-2-name_error"' in answer.content.decode()
    assert Person.objects.count() == 1
    url = reverse("shop:setup-work")
    sent = shown(owner, url) | {"films-0-name": "White", "films-0-width_mm": "-3"}
    assert owner.post(url, sent).status_code == 422
    assert not Machine.objects.exists()


def test_another_shops_row_is_not_taken_over_by_a_forged_line(owner, shop):
    other = shop_create(slug="hill", name="Hill Signs")
    theirs = Person.objects.create(shop=other, name="Cem")
    url = reverse("shop:setup-people")
    sent = shown(owner, url) | {"people-1-pk": theirs.pk, "people-1-name": "Mine"}
    assert owner.post(url, sent).status_code == 422
    theirs.refresh_from_db()
    assert (theirs.name, theirs.shop) == ("Cem", other)


def test_an_imported_shop_is_shown_and_taken_over():
    imported = shop_create(slug="shop", name="Old log")
    client = Client()
    assert "Old log" in client.get(reverse("shop:setup")).content.decode()
    client.post(reverse("shop:setup"), first_page())
    assert Membership.objects.get().shop == imported


def test_a_log_in_of_no_shop_is_told_so(shop):
    client = log_in(User.objects.create_user("nobody"))
    assert client.get("/").url == reverse("shop:setup")
    answer = client.get(reverse("shop:setup"))
    assert answer.status_code == 403
    assert "belongs to no shop" in answer.content.decode()


@pytest.mark.parametrize(("role", "place"), [(Role.MAKER, "jobs:floor"), (Role.VIEWER, "jobs:job-list")])
def test_each_role_begins_where_its_work_is(shop, role, place):
    client = log_in(login_create(shop=shop, username="ben", role=role)[0])
    assert client.get("/").url == reverse(place)


def test_hours_are_copied_from_one_day_to_others_before_they_are_saved(owner, shop):
    url = reverse("shop:hours")
    sent = shown(owner, url) | week(d0=("07:00", "12:00"), d0_1=("13:00", "18:00"))
    sent |= {"copy": "1", "copy_from": "0", "copy_to": ["4", "5"]}
    page = owner.post(url, sent).content.decode()
    for name in ("opens_4_0", "opens_5_0"):
        assert re.search(rf'name="{name}" value="07:00', page)
    assert "not saved yet" in page
    assert 5 not in opening_hours(shop)


def test_hours_that_never_open_or_run_past_midnight_are_refused_at_the_day(owner, shop):
    url = reverse("shop:hours")
    answer = owner.post(url, {})
    assert answer.status_code == 422
    assert "would never be open" in answer.content.decode()
    answer = owner.post(url, week(d1=("18:00", "02:00")))
    error = re.search(r'id="id_closes_1_0_error">([^<]*)', answer.content.decode())
    assert error
    assert "close Tuesday at 00:00 and open Wednesday from 00:00 to 02:00" in error[1]
    answer = owner.post(url, {"opens_2_0": "08:00"})
    assert "none to close" in answer.content.decode()
    assert len(opening_hours(shop)) == 5
    assert owner.post(url, week(d1=("18:00", "00:00"), d2=("00:00", "02:00"))).status_code == 302
    assert opening_hours(shop)[1] == [(time(18), time(0))]


@time_machine.travel(datetime(2026, 11, 25, 12, tzinfo=UTC))
def test_holidays_are_listed_for_the_coming_year(owner, shop):
    url = reverse("shop:holidays")
    assert "No holidays are kept" in owner.get(url).content.decode()
    owner.post(url, {"holiday_country": "DE"})
    page = owner.get(url).content.decode()
    assert "Friday 25 December" in page
    assert "Epiphany" not in page
    owner.post(url, {"holiday_country": "DE", "holiday_region": "BY"})
    assert "Germany, Bayern: kept as closed" in " ".join(
        owner.get(reverse("shop:settings")).content.decode().split()
    )
    assert "Epiphany" in owner.get(url).content.decode()
    owner.post(url, {"holiday_country": "DK", "holiday_region": "BY"})
    shop.refresh_from_db()
    assert (shop.holiday_country, shop.holiday_region) == ("DK", "")


@time_machine.travel(datetime(2026, 11, 25, 12, tzinfo=UTC))
def test_a_closure_is_entered_taken_back_and_put_back(planner, shop):
    url = reverse("shop:closures")
    planner.post(url, {"starts_on": "2026-12-24", "ends_on": "2027-01-02", "reason": "Winter"})
    closure = Closure.objects.get()
    planner.post(reverse("shop:closure-remove", args=[closure.pk]))
    assert not Closure.objects.exists()
    undo = undo_of(planner.get(url).content.decode())
    assert undo.pop("") == url
    planner.post(url, undo)
    again = Closure.objects.get()
    assert (again.starts_on, again.ends_on, again.reason) == (date(2026, 12, 24), date(2027, 1, 2), "Winter")
    answer = planner.post(url, {"starts_on": "2027-02-03", "ends_on": "2027-02-01"})
    assert answer.status_code == 422
    assert "comes before the first" in answer.content.decode()


def undo_of(page: str) -> dict[str, str]:
    bar = re.search(r'<div class="undo-bar".*?</div>', page, re.S)
    assert bar
    action = re.search(r'action="([^"]*)"', bar[0])
    fields = dict(re.findall(r'<input type="hidden" name="([^"]*)" value="([^"]*)"', bar[0]))
    fields.pop("csrfmiddlewaretoken", None)
    assert action
    return {"": action[1], **fields}


def test_a_machine_is_made_changed_removed_and_brought_back(owner, shop):
    new = reverse("shop:thing-new", args=["machines"])
    solvent = Process.objects.of(shop).get(name="Solvent")
    sent = {
        "name": "Wide printer",
        "kind": "printer",
        "capacity": "1",
        "unattended": "always",
        "processes": [solvent.pk],
        "max_width_mm": "1.6 m",
    }
    assert owner.post(new, sent).status_code == 302
    machine = Machine.objects.get()
    assert (machine.max_width_mm, machine.processes.get()) == (1600, solvent)
    page = owner.get(reverse("shop:things", args=["machines"])).content.decode()
    assert "Printer, runs alone always, Solvent, up to 1,600 mm wide" in page
    owner.post(reverse("shop:thing-remove", args=["machines", machine.pk]))
    assert not Machine.objects.exists()
    undo = undo_of(owner.get(reverse("shop:things", args=["machines"])).content.decode())
    owner.post(undo.pop(""), undo)
    again = Machine.objects.get()
    assert (again.name, again.max_width_mm, again.unattended) == ("Wide printer", 1600, "always")
    assert again.processes.get() == solvent


def test_a_film_in_use_is_retired_and_says_so(planner, shop):
    film = Media.objects.create(shop=shop, name="White film", width_mm=1370)
    job_create(shop=shop, job_type=JobType.objects.of(shop)[0], title="Sign", media=film)
    planner.post(reverse("shop:thing-remove", args=["films", film.pk]))
    page = planner.get(reverse("shop:things", args=["films"])).content.decode()
    assert "White film is in use on record, so it is kept there and offered no more." in page
    assert "No longer used" in page
    undo = undo_of(page)
    planner.post(undo.pop(""), undo)
    film.refresh_from_db()
    assert film.active


@pytest.mark.parametrize(
    ("things", "sent", "field", "told"),
    [
        ("films", {"name": "Clear", "width_mm": "-5", "roll_length_m": "50"}, "width_mm", "out of range"),
        ("films", {"name": "Clear", "width_mm": "wide", "roll_length_m": "50"}, "width_mm", "not a length"),
        (
            "films",
            {"name": "Clear", "width_mm": "1370", "roll_length_m": "0"},
            "roll_length_m",
            "out of range",
        ),
        ("films", {"name": "Clear", "price_per_m2": "-1"}, "price_per_m2", "greater than or equal to 0"),
        ("machines", {"name": "Cutter", "kind": "saw"}, "kind", "not one of the available choices"),
        ("machines", {"name": "Cutter", "capacity": "0"}, "capacity", "greater than or equal to 1"),
        ("processes", {"name": "SOLVENT", "kind": "solvent"}, "name", "already is a “Solvent”"),
        ("processes", {"name": "New", "hold_hours": "9999"}, "hold_hours", "less than or equal to 336"),
        ("people", {"name": ""}, "name", "required"),
        ("people", {"name": "ADA"}, "name", "already is a “Ada”"),
    ],
)
def test_a_bad_row_is_told_at_its_field(owner, shop, things, sent, field, told):
    answer = owner.post(reverse("shop:thing-new", args=[things]), sent)
    assert answer.status_code == 422
    error = re.search(rf'id="id_{field}_error">([^<]*)', answer.content.decode())
    assert error
    assert told in error[1].replace("&quot;", '"')


def test_a_process_is_shown_in_hours_and_kept_in_minutes(owner, shop):
    solvent = Process.objects.of(shop).get(name="Solvent")
    url = reverse("shop:thing", args=["processes", solvent.pk])
    sent = shown(owner, url)
    assert sent["hold_hours"] == "24"
    assert len(sent["finishes"]) == 3
    assert owner.post(url, sent | {"hold_hours": "36.5", "ink_price_per_litre": "120"}).status_code == 302
    solvent.refresh_from_db()
    assert (solvent.hold_min, solvent.ink_price_per_litre, solvent.finishes.count()) == (2190, 120, 3)


def test_saving_an_untouched_row_in_feet_and_inches_changes_no_number(owner, shop):
    Shop.objects.update(units=Units.IMPERIAL)
    film = Media.objects.create(
        shop=shop, name="White", width_mm=1371, roll_length_m=50, price_per_m2="10.00"
    )
    gloss = Finish.objects.create(shop=shop, name="Liquid", price_per_m2="7.77")
    for things, row in (("films", film), ("finishes", gloss)):
        url = reverse("shop:thing", args=[things, row.pk])
        sent = shown(owner, url)
        assert owner.post(url, sent | {"name": "Renamed"}).status_code == 302
    film.refresh_from_db()
    gloss.refresh_from_db()
    assert (film.width_mm, film.roll_length_m, str(film.price_per_m2)) == (1371, 50, "10.00")
    assert str(gloss.price_per_m2) == "7.77"
    assert film.name == "Renamed"
    owner.post(
        reverse("shop:thing", args=["films", film.pk]), sent | {"width_mm": "54", "roll_length_m": "100"}
    )
    film.refresh_from_db()
    assert (film.width_mm, film.roll_length_m) == (1372, pytest.approx(30.48))


def test_facts_are_changed_and_a_bad_zone_is_not(owner, shop):
    url = reverse("shop:facts")
    sent = shown(owner, url)
    assert sent["time_zone"] == "Europe/Berlin"
    assert owner.post(url, sent | {"time_zone": "Mars/Base"}).status_code == 422
    sent |= {"time_zone": "America/New_York", "confidence": "0.9", "labour_per_hour": "48.50"}
    assert owner.post(url, sent).status_code == 302
    shop.refresh_from_db()
    assert (shop.time_zone, shop.confidence, str(shop.labour_per_hour)) == ("America/New_York", 0.9, "48.50")
    assert "nine times in ten" in owner.get(reverse("shop:settings")).content.decode()


def test_a_planner_sees_people_and_changes_only_films_and_absences(planner, shop):
    assert planner.get(reverse("shop:things", args=["people"])).status_code == 200
    assert planner.get(reverse("shop:thing-new", args=["people"])).status_code == 403
    assert planner.post(reverse("shop:thing-new", args=["machines"]), {"name": "X"}).status_code == 403
    assert planner.get(reverse("shop:thing-new", args=["films"])).status_code == 200
    for name in ("facts", "hours", "holidays", "logins"):
        assert planner.get(reverse(f"shop:{name}")).status_code == 403


def test_a_one_time_password_is_shown_once_and_works_once(owner, shop):
    url = reverse("shop:logins")
    ada = Person.objects.get(name="Ada")
    assert owner.post(url, {"username": "ben", "role": "maker", "person": ada.pk}).status_code == 422
    assert owner.post(url, {"username": "ben", "role": "maker"}).url == url
    found = re.search(r'class="one-time">([^<]*)<', owner.get(url).content.decode())
    assert found
    assert found[1] not in owner.get(url).content.decode()

    ben = Client()
    sent = {"username": "ben", "password": found[1]}
    choose = ben.post(reverse("login"), sent).url
    assert "_auth_user_id" not in ben.session
    page = ben.get(choose, follow=True)
    form = page.redirect_chain[-1][0]
    assert ben.post(form, {"new_password1": "12345678", "new_password2": "12345678"}).status_code == 200
    own = {"new_password1": "nine blue kites", "new_password2": "nine blue kites"}
    assert ben.post(form, own).url == reverse("shop:home")
    assert ben.get("/").url == reverse("jobs:floor")
    assert not User.objects.get(username="ben").password_is_one_time
    stranger = Client()
    assert stranger.post(reverse("login"), sent).status_code == 200  # the form again: it is spent
    assert "used already" in stranger.get(choose).content.decode()


def test_roles_change_and_the_last_owner_stays(owner, shop):
    ada = Membership.objects.get()
    page = owner.post(reverse("shop:login-role", args=[ada.pk]), {"role": "viewer"}, follow=True)
    assert Membership.objects.get().role == Role.OWNER
    page = owner.post(reverse("shop:login-remove", args=[ada.pk]), follow=True)
    assert "only owner" in page.content.decode()
    ben = login_create(shop=shop, username="ben", role=Role.MAKER)[0].membership
    owner.post(reverse("shop:login-role", args=[ben.pk]), {"role": "planner"})
    ben.refresh_from_db()
    assert ben.role == Role.PLANNER
    owner.post(reverse("shop:login-role", args=[ben.pk]), {"role": "king"})
    ben.refresh_from_db()
    assert ben.role == Role.PLANNER
    assert "Remove the log-in ben" in owner.get(reverse("shop:login-remove", args=[ben.pk])).content.decode()
    owner.post(reverse("shop:login-remove", args=[ben.pk]))
    assert not User.objects.filter(username="ben").exists()


def test_a_reset_logs_the_other_out_everywhere(owner, shop):
    user, _ = login_create(shop=shop, username="ben", role=Role.PLANNER)
    ben = log_in(user)
    assert ben.get(reverse("shop:account")).status_code == 200
    owner.post(reverse("shop:login-reset", args=[user.membership.pk]))
    assert ben.get(reverse("shop:account")).status_code == 302


def test_ones_own_password_is_changed(owner):
    url = reverse("password-change")
    sent = {"old_password": "wrong", "new_password1": "nine blue kites", "new_password2": "nine blue kites"}
    assert "id_old_password_error" in owner.post(url, sent).content.decode()
    assert owner.post(url, sent | {"old_password": PASSWORD}).url == reverse("shop:account")
    assert User.objects.get().check_password("nine blue kites")
    assert owner.post(reverse("logout")).url == reverse("login")


def test_eight_wrong_passwords_close_the_log_in_for_a_while_in_words(shop):
    client = Client()
    sent = {"username": "ada", "password": "wrong"}
    answers = [client.post(reverse("login"), sent) for _ in range(8)]
    assert answers[0].status_code == 200
    assert answers[-1].status_code == 429
    assert "Too many tries" in answers[-1].content.decode()
    assert client.post(reverse("login"), sent | {"password": PASSWORD}).status_code == 429
