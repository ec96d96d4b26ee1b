"""Addresses that open without a log-in: made, found again, revoked, renewed.

A token is a public nonce and the nonce's HMAC-SHA256 under the secret key: 256 bits that nobody can guess, which can be
shown again and are stored nowhere.
"""

from __future__ import annotations

import secrets
from base64 import urlsafe_b64encode
from collections.abc import Collection
from datetime import datetime, timedelta

from django.db import transaction
from django.db.models import Q
from django.utils.crypto import constant_time_compare, salted_hmac

from analytics.models import OpenAddress, OpenPurpose
from jobs.models import Job
from shop.errors import BadInput
from shop.models import Machine, Person, Shop, User

CALENDARS = (OpenPurpose.SHOP, OpenPurpose.PERSON, OpenPurpose.MACHINE)

_NONCE_BYTES, _NONCE_CHARS = 16, 22
_SALT = "analytics.open-address"
_SEEN_EVERY = timedelta(minutes=5)
"""How exactly it is known when an address was last opened: a calendar that asks often need not write each time."""


def address_make(
    shop: Shop,
    of: Person | Machine | Job | None,
    *,
    by: User | None,
    now: datetime,
) -> OpenAddress:
    """The open address of a person's, a machine's or the shop's (None) calendar, or of a job's page.

    One stands for each at a time: where there is one already, it is that one. Raises BadInput for what is another
    shop's or no longer in use.
    """
    if of is not None and (of.shop_id != shop.pk or not getattr(of, "active", True)):
        raise BadInput("Choose somebody or something that is in use in this shop.", field="of")
    facts = {"purpose": _purpose(of), **_target(of)}
    with transaction.atomic():
        Shop.objects.select_for_update().get(pk=shop.pk)  # two presses make one address
        standing = OpenAddress.objects.of(shop).filter(revoked_at=None, **facts).first()
        if standing is not None:
            return standing
        nonce = secrets.token_urlsafe(_NONCE_BYTES)
        return OpenAddress.objects.create(shop=shop, nonce=nonce, made_at=now, made_by=by, **facts)


def address_revoke(address: OpenAddress, now: datetime) -> None:
    """It opens nothing from now on."""
    OpenAddress.objects.filter(pk=address.pk, revoked_at=None).update(revoked_at=now)
    address.refresh_from_db(fields=["revoked_at"])


@transaction.atomic
def address_renew(address: OpenAddress, *, by: User | None, now: datetime) -> OpenAddress:
    """Another address for the same, and this one revoked."""
    address_revoke(address, now)
    return address_make(address.shop, address.person or address.machine or address.job, by=by, now=now)


def address_token(address: OpenAddress) -> str:
    """What stands in the address: 22 characters of nonce, 43 of HMAC."""
    return address.nonce + _mac(address.nonce)


def address_opened(token: str, purposes: Collection[OpenPurpose], now: datetime) -> OpenAddress | None:
    """The address of a token for one of the purposes, noted as opened; None if it opens nothing.

    A wrong token, one that was revoked, one for something else and one of a person or a machine no longer in use are
    all the same None.
    """
    nonce, mac = token[:_NONCE_CHARS], token[_NONCE_CHARS:]
    if not constant_time_compare(mac, _mac(nonce)):
        return None
    rows = OpenAddress.objects.select_related("shop", "person", "machine", "job")
    rows = rows.exclude(person__active=False).exclude(machine__active=False)
    found = rows.filter(nonce=nonce, purpose__in=purposes, revoked_at=None).first()
    if found is not None:
        seen = Q(read_at=None) | Q(read_at__lt=now - _SEEN_EVERY)
        OpenAddress.objects.filter(seen, pk=found.pk).update(read_at=now)
    return found


def _mac(nonce: str) -> str:
    digest = salted_hmac(_SALT, nonce, algorithm="sha256").digest()
    return urlsafe_b64encode(digest).rstrip(b"=").decode("ascii")


def _purpose(of: Person | Machine | Job | None) -> OpenPurpose:
    if of is None:
        return OpenPurpose.SHOP
    return {Person: OpenPurpose.PERSON, Machine: OpenPurpose.MACHINE, Job: OpenPurpose.JOB}[type(of)]


def _target(of: Person | Machine | Job | None) -> dict[str, Person | Machine | Job | None]:
    given: dict[str, Person | Machine | Job | None] = {"person": None, "machine": None, "job": None}
    if of is not None:
        given[_purpose(of).value] = of
    return given
