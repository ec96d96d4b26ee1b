"""Devices that nobody owns alone: let in by an owner, and put out by one.

A device has a log-in of its own without a password. Its session lasts a year, and ends at once when it is revoked: the
log-in is closed and its password's hash, by which every session is checked, is replaced. Taps that a revoked tablet has
not sent stay on it; enrolled again in the same shop, it sends them.
"""

from __future__ import annotations

import hashlib
import secrets
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import Q
from django.utils.text import slugify

from shop.errors import BadInput, ShopError
from shop.models import Device, Membership, Purpose, Role, Shop, User
from shop.services.logins import one_time_password

SESSION = timedelta(days=365)
INVITATION = timedelta(minutes=15)
SEEN_EVERY = timedelta(minutes=1)
"""How often at most it is noted that a device was seen."""

_ROLES = {Purpose.FLOOR: Role.MAKER, Purpose.WALL: Role.VIEWER}


@transaction.atomic
def device_enrol(*, shop: Shop, name: str, purpose: Purpose, by: User, now: datetime) -> Device:
    """Let the very device in at which this is asked; the caller logs it in. Raises BadInput for a name in use."""
    device = _make(shop, name, purpose, by, now)
    device.joined_at = now
    device.save(update_fields=["joined_at"])
    return device


@transaction.atomic
def device_invite(*, shop: Shop, name: str, purpose: Purpose, by: User, now: datetime) -> tuple[Device, str]:
    """Make a device that lets itself in with the code returned, once and within `INVITATION`.

    Only the code's digest is kept. Raises BadInput for a name in use.
    """
    device = _make(shop, name, purpose, by, now)
    return device, device_invite_again(device, now)


def device_invite_again(device: Device, now: datetime) -> str:
    """A new code for a device that has not come yet; its earlier one is void. Raises ShopError once it has come."""
    code = one_time_password()
    waiting = Device.objects.filter(pk=device.pk, joined_at=None, revoked_at=None)
    if not waiting.update(invitation=_digest(code), invitation_until=now + INVITATION):
        raise ShopError(f"{device} needs no invitation: it is in use, or no longer.")
    return code


def device_invited(code: str, now: datetime) -> Device:
    """The device that a code lets in. Raises ShopError for one that is unknown, used or too old."""
    waiting = Device.objects.filter(invitation=_digest(code), invitation_until__gt=now, revoked_at=None)
    device = waiting.select_related("shop", "user").first()
    if device is None:
        raise ShopError(
            "This invitation has been used, or is more than 15 minutes old. Ask the shop’s owner for another: "
            "Shop, then Devices."
        )
    return device


@transaction.atomic
def device_join(code: str, now: datetime) -> Device:
    """Use an invitation up; the caller logs the device in. Of two at the same moment one is refused (ShopError)."""
    device = device_invited(code, now)
    used = Device.objects.filter(pk=device.pk, invitation=_digest(code), revoked_at=None)
    if not used.update(invitation="", invitation_until=None, joined_at=now):
        return device_invited(code, now)  # used at this very moment by another: refused, with the reason
    device.refresh_from_db(fields=["invitation", "invitation_until", "joined_at"])
    return device


@transaction.atomic
def device_rename(device: Device, name: str) -> None:
    """Call a device something else. Raises BadInput for a name in use."""
    _lock(device.shop_id)
    device.name = _free_name(device.shop_id, name, device)
    device.save(update_fields=["name"])


@transaction.atomic
def device_revoke(device: Device, now: datetime) -> None:
    """End a device's log-in at once, wherever it is; done twice, it stays as it was. What it clocked stays."""
    if not Device.objects.filter(pk=device.pk, revoked_at=None).update(
        revoked_at=now, invitation="", invitation_until=None
    ):
        return
    user = User.objects.get(pk=device.user_id)
    user.is_active = False
    user.set_unusable_password()  # another hash: a session that slipped through is no good either
    user.save(update_fields=["is_active", "password"])
    device.refresh_from_db()


def device_seen(device: Device, now: datetime) -> None:
    """Note when a device was last there; at most one write in `SEEN_EVERY`."""
    if device.last_seen_at and device.last_seen_at > now - SEEN_EVERY:
        return
    stale = Q(last_seen_at=None) | Q(last_seen_at__lte=now - SEEN_EVERY)
    Device.objects.filter(stale, pk=device.pk).update(last_seen_at=now)


def _make(shop: Shop, name: str, purpose: Purpose, by: User, now: datetime) -> Device:
    _lock(shop.pk)
    name = _free_name(shop.pk, name)
    user = User(username=f"{slugify(name)[:40] or 'device'}-{secrets.token_hex(4)}")
    user.set_unusable_password()
    user.save()
    Membership.objects.create(user=user, shop=shop, role=_ROLES[purpose])
    return Device.objects.create(
        shop=shop, name=name, purpose=purpose, user=user, enrolled_by=by, enrolled_at=now
    )


def _free_name(shop_id: int, name: str, device: Device | None = None) -> str:
    """The name, tidied, if no other device in use has it."""
    name = " ".join(name.split())
    if not name:
        raise BadInput("Give it a name, as Bench tablet.", field="name")
    others = Device.objects.filter(shop_id=shop_id, revoked_at=None, name__iexact=name)
    if device:
        others = others.exclude(pk=device.pk)
    if others.exists():
        raise BadInput(
            f"There already is a device “{name}”. Choose another name, or revoke it.", field="name"
        )
    return name


def _lock(shop_id: int) -> None:
    """Two devices are not given one name at the same moment."""
    Shop.objects.select_for_update().get(pk=shop_id)


def _digest(code: str) -> str:
    return hashlib.sha256(code.strip().lower().encode()).hexdigest()
