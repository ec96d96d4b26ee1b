"""PINs: how a shared tablet knows that the one who tapped a name is that person.

A PIN keeps presses from landing under the wrong name. It is short, so guessing is what it must withstand: every try is
counted before it is looked at, under a lock of the row, so that tries sent at the same moment do not slip past the
limit. It does not withstand somebody with the tablet's own tools in hand, and it cannot be asked for where there is no
connection: the hash never leaves the server, and taps pressed then say that the name was not proven.
"""

from __future__ import annotations

import itertools
import re
from datetime import datetime, timedelta

from django.contrib.auth.hashers import check_password, make_password
from django.db import transaction

from shop.errors import BadInput, ShopError
from shop.models import Device, Person
from shop.words import say_wait

IN_A_ROW = 5
"""Wrong PINs of one person in a row that lock them, on every shared device."""
FIRST_LOCK, LONGEST_LOCK = timedelta(minutes=1), timedelta(hours=1)
ON_A_DEVICE = 20
"""Wrong PINs on one device within `DEVICE_WINDOW`, whoever's, that lock it for as long again."""
DEVICE_WINDOW = timedelta(minutes=10)

_DIGITS = re.compile(r"[0-9]{4,8}")
_MOST_DOUBLINGS = 10  # of a minute: more than an hour
_MOST_FAILURES = 10_000  # well within the column; the lock has long stopped growing


class PinLocked(ShopError):
    """Too many wrong PINs. `wait` is how long until another is looked at."""

    status = 429
    title = "Too many wrong PINs"

    def __init__(self, message: str, wait: timedelta) -> None:
        super().__init__(message, field="pin")
        self.wait = wait


def pin_set(person: Person, pin: str) -> None:
    """Give a person this PIN, hashed; it is kept nowhere else. Ends a lock. Raises BadInput for one easily guessed."""
    pin = pin.strip()
    if not is_pin(pin):
        raise BadInput("A PIN is 4 to 8 digits, and nothing else.", field="pin")
    if _is_obvious(pin):
        raise BadInput(
            "That is among the first that anybody would try. Mix the digits: no run such as 1234, and not all "
            "the same.",
            field="pin",
        )
    _keep(person, make_password(pin))


def pin_clear(person: Person) -> None:
    """Take a person's PIN away: on a shared device their name then needs none."""
    _keep(person, "")


def pin_check(person: Person, pin: str, now: datetime, device: Device | None = None) -> bool:
    """Whether this is the person's PIN; True for a person without one.

    Counts as wrong until it has proved right. Raises PinLocked, saying how long, while the person or the device is
    locked, and for the wrong PIN that locks them.
    """
    with transaction.atomic():
        stored, locked_until = _count_try(person, now, device)
    if not stored:
        return True
    if is_pin(pin) and check_password(pin, stored):
        _take_try_back(person, device)
        return True
    if locked_until is not None:
        raise _locked(person, locked_until - now, "That PIN is wrong too. ")
    return False


def is_pin(text: str) -> bool:
    """Whether it is 4 to 8 digits."""
    return _DIGITS.fullmatch(text) is not None


def lock_after(failures: int) -> timedelta | None:
    """How long so many wrong PINs in a row lock: 5 a minute, 10 two, 15 four, up to an hour; None for no lock."""
    rounds, rest = divmod(failures, IN_A_ROW)
    if rounds == 0 or rest:
        return None
    doublings: int = min(rounds - 1, _MOST_DOUBLINGS)
    return min(LONGEST_LOCK, FIRST_LOCK * (1 << doublings))


def _count_try(person: Person, now: datetime, device: Device | None) -> tuple[str, datetime | None]:
    """Count a try as wrong. Gives the stored hash, and until when the person is locked by this try."""
    on = Device.objects.select_for_update().get(pk=device.pk) if device else None
    whose = Person.objects.select_for_update().get(pk=person.pk)
    if not whose.pin:
        return "", None
    if whose.pin_locked_until and whose.pin_locked_until > now:
        raise _locked(person, whose.pin_locked_until - now)
    if on:
        _count_on_device(on, now)
    whose.pin_failures = min(whose.pin_failures + 1, _MOST_FAILURES)
    lock = lock_after(whose.pin_failures)
    whose.pin_locked_until = now + lock if lock else None
    whose.save(update_fields=["pin_failures", "pin_locked_until"])
    return whose.pin, whose.pin_locked_until


def _count_on_device(device: Device, now: datetime) -> None:
    if device.pins_locked_until and device.pins_locked_until > now:
        wait = device.pins_locked_until - now
        raise PinLocked(
            f"Too many wrong PINs were tried on this tablet. It takes none for another {say_wait(wait)}.",
            wait,
        )
    if device.wrong_pins_from is None or device.wrong_pins_from + DEVICE_WINDOW <= now:
        device.wrong_pins, device.wrong_pins_from = 0, now
    device.wrong_pins += 1
    device.pins_locked_until = now + DEVICE_WINDOW if device.wrong_pins >= ON_A_DEVICE else None
    device.save(update_fields=["wrong_pins", "wrong_pins_from", "pins_locked_until"])


@transaction.atomic
def _take_try_back(person: Person, device: Device | None) -> None:
    """A right PIN ends the person's row of wrong ones; on the device only its own try is taken back."""
    if device:
        on = Device.objects.select_for_update().get(pk=device.pk)
        on.wrong_pins = max(0, on.wrong_pins - 1)
        if on.wrong_pins < ON_A_DEVICE:
            on.pins_locked_until = None
        on.save(update_fields=["wrong_pins", "pins_locked_until"])
    Person.objects.filter(pk=person.pk).update(pin_failures=0, pin_locked_until=None)


def _locked(person: Person, wait: timedelta, said: str = "") -> PinLocked:
    return PinLocked(
        f"{said}Too many wrong PINs for {person}. Try again in {say_wait(wait)}. An owner or planner can give "
        "another PIN at once.",
        wait,
    )


def _is_obvious(pin: str) -> bool:
    """All the same digit, or one straight run up or down (0 follows 9)."""
    digits = [int(each) for each in pin]
    steps = {(after - before) % 10 for before, after in itertools.pairwise(digits)}
    return len(steps) == 1 and steps <= {0, 1, 9}


def _keep(person: Person, stored: str) -> None:
    person.pin, person.pin_failures, person.pin_locked_until = stored, 0, None
    person.save(update_fields=["pin", "pin_failures", "pin_locked_until"])
