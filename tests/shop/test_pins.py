"""PINs: what is taken for one, how it is kept, and how little a guess gets."""

import threading
from datetime import UTC, datetime, timedelta

import pytest
from django.db import OperationalError, connection
from hypothesis import given
from hypothesis import strategies as st

from shop import settings as own
from shop.errors import BadInput
from shop.models import Device, Person, Purpose, Shop, User
from shop.services import shop_create
from shop.services.devices import device_enrol
from shop.services.pins import (
    DEVICE_WINDOW,
    IN_A_ROW,
    ON_A_DEVICE,
    PinLocked,
    lock_after,
    pin_check,
    pin_clear,
    pin_set,
)
from shop.words import say_wait

pytestmark = pytest.mark.django_db

NOW = datetime(2030, 3, 4, 9, tzinfo=UTC)
PIN = "2580"


@pytest.fixture
def shop() -> Shop:
    return shop_create(slug="quay", name="Quay Signs")


@pytest.fixture
def ada(shop: Shop) -> Person:
    person = Person.objects.create(shop=shop, name="Ada")
    pin_set(person, PIN)
    return person


def a_tablet(shop: Shop, name: str = "Bench") -> Device:
    owner = User.objects.get_or_create(username="owner")[0]
    return device_enrol(shop=shop, name=name, purpose=Purpose.FLOOR, by=owner, now=NOW)


def wrong(person: Person, times: int, now: datetime, device: Device | None = None) -> None:
    for _ in range(times):
        assert pin_check(person, "1357", now, device) is False


@pytest.mark.parametrize("bad", ["", "123", "123456789", "12a4", "12 34", "١٢٣٥", "2.58"])
def test_a_pin_is_four_to_eight_digits(ada, bad):
    before = ada.pin
    with pytest.raises(BadInput, match="4 to 8 digits") as told:
        pin_set(ada, bad)
    ada.refresh_from_db()
    assert (told.value.field, ada.pin) == ("pin", before)


@pytest.mark.parametrize("obvious", ["1234", "0000", "77777777", "9876", "7890", "21098", "01234567"])
def test_what_anybody_would_try_first_is_no_pin(ada, obvious):
    with pytest.raises(BadInput, match="among the first"):
        pin_set(ada, obvious)
    assert pin_check(ada, PIN, NOW)


@given(st.from_regex(r"[0-9]{4,8}", fullmatch=True))
def test_only_runs_and_repeats_are_refused(pin):
    run = "".join(str(n % 10) for n in range(30))
    obvious = pin in run or pin in run[::-1] or len(set(pin)) == 1
    person = Person(name="Nobody")
    person.save = lambda **_: None  # what is asked here is only the rule
    if obvious:
        with pytest.raises(BadInput):
            pin_set(person, pin)
    else:
        pin_set(person, pin)
        assert person.pin


def test_a_pin_is_kept_as_a_hash_by_the_programs_own_hasher(ada, settings):
    assert PIN not in ada.pin
    settings.PASSWORD_HASHERS = own.PASSWORD_HASHERS  # not the suite's quick one
    pin_set(ada, PIN)
    assert ada.pin.startswith("argon2$argon2id$")
    assert pin_check(ada, PIN, NOW)


def test_the_right_pin_and_no_other(shop, ada):
    assert pin_check(ada, PIN, NOW)
    assert not pin_check(ada, "2581", NOW)
    assert not pin_check(ada, PIN + "0", NOW)
    ben = Person.objects.create(shop=shop, name="Ben")
    assert pin_check(ben, "", NOW)  # has none
    pin_clear(ada)
    assert pin_check(ada, "", NOW)


@pytest.mark.parametrize(
    ("failures", "minutes"),
    [(4, None), (5, 1), (6, None), (10, 2), (15, 4), (30, 32), (35, 60), (40, 60), (9_995, 60)],
)
def test_every_fifth_wrong_pin_in_a_row_locks_for_twice_as_long_up_to_an_hour(failures, minutes):
    assert lock_after(failures) == (None if minutes is None else timedelta(minutes=minutes))


def test_a_locked_person_is_not_looked_at_until_the_minute_is_over(ada):
    wrong(ada, IN_A_ROW - 1, NOW)
    with pytest.raises(PinLocked, match="Try again in 1 minute"):
        pin_check(ada, "1357", NOW)
    later = NOW + timedelta(seconds=20)
    with pytest.raises(PinLocked, match="Try again in 40 seconds"):
        pin_check(ada, PIN, later)  # even the right one
    over = NOW + timedelta(minutes=1)
    wrong(ada, IN_A_ROW - 1, over)
    with pytest.raises(PinLocked, match="Try again in 2 minutes"):
        pin_check(ada, "1357", over)


def test_the_right_pin_ends_the_row(ada):
    for _ in range(4):
        wrong(ada, IN_A_ROW - 1, NOW)
        assert pin_check(ada, PIN, NOW)
    ada.refresh_from_db()
    assert (ada.pin_failures, ada.pin_locked_until) == (0, None)


def test_the_right_pin_at_the_fifth_try_is_right(ada):
    wrong(ada, IN_A_ROW - 1, NOW)
    assert pin_check(ada, PIN, NOW)
    assert pin_check(ada, PIN, NOW)


def test_another_pin_ends_a_lock(ada):
    wrong(ada, IN_A_ROW - 1, NOW)
    with pytest.raises(PinLocked):
        pin_check(ada, "1357", NOW)
    pin_set(ada, "8642")
    assert pin_check(ada, "8642", NOW)


def test_a_tablet_on_which_many_names_are_tried_is_locked_for_all_and_no_other_is(shop, ada):
    tablet, other = a_tablet(shop), a_tablet(shop, "Door")
    people = [Person.objects.create(shop=shop, name=f"Person {n}") for n in range(ON_A_DEVICE)]
    for person in people:
        pin_set(person, PIN)
    for person in people:
        wrong(person, 1, NOW, tablet)
    later = NOW + timedelta(minutes=4)
    with pytest.raises(PinLocked, match=r"tablet.* 6 minutes"):
        pin_check(ada, PIN, later, tablet)
    assert pin_check(ada, PIN, later, other)
    assert pin_check(ada, PIN, NOW + DEVICE_WINDOW, tablet)


def test_wrong_pins_spread_over_the_day_do_not_lock_a_tablet(shop, ada):
    tablet, at = a_tablet(shop), NOW
    for _ in range(3 * ON_A_DEVICE):
        at += timedelta(minutes=1)
        wrong(ada, 1, at, tablet)
        assert pin_check(ada, PIN, at, tablet)
    tablet.refresh_from_db()
    assert tablet.pins_locked_until is None


def test_a_guesser_with_a_pin_of_their_own_does_not_wipe_the_tablets_count(shop, ada):
    tablet = a_tablet(shop)
    ben = Person.objects.create(shop=shop, name="Ben")
    pin_set(ben, "8642")
    for _ in range(ON_A_DEVICE - 1):
        wrong(ada, 1, NOW, tablet)
        Person.objects.filter(pk=ada.pk).update(pin_failures=0)  # as many names would be
        assert pin_check(ben, "8642", NOW, tablet)
    wrong(ada, 1, NOW, tablet)
    with pytest.raises(PinLocked, match="tablet"):
        pin_check(ben, "8642", NOW, tablet)


@pytest.mark.django_db(transaction=True)
def test_tries_at_the_same_moment_do_not_slip_past_the_limit(shop, ada):
    tablet, gate, told = a_tablet(shop), threading.Barrier(12), []

    def guess() -> None:
        gate.wait()
        try:
            told.append(answer())
        finally:
            connection.close()

    def answer() -> str:
        while True:
            try:
                return "looked at" if pin_check(ada, "1357", NOW, tablet) is False else "right"
            except PinLocked as locked:
                return "looked at" if locked.message.startswith("That PIN is wrong") else "refused"
            except OperationalError:  # SQLite in memory does not wait for a lock as a file does
                continue

    threads = [threading.Thread(target=guess) for _ in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(told) == ["looked at"] * IN_A_ROW + ["refused"] * (12 - IN_A_ROW)
    ada.refresh_from_db()
    tablet.refresh_from_db()
    assert (ada.pin_failures, tablet.wrong_pins) == (IN_A_ROW, IN_A_ROW)


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(0.2, "1 second"), (59.1, "1 minute"), (60, "1 minute"), (61, "2 minutes"), (3600, "1 hour")],
)
def test_a_wait_is_said_rounded_up(seconds, said):
    assert say_wait(timedelta(seconds=seconds)) == said
