"""Who asks to be told of slipping dates."""

from __future__ import annotations

import secrets
from datetime import datetime

from django.core.exceptions import ValidationError
from django.core.validators import validate_email

from analytics.models import Listener, ListenerKind
from analytics.services.webhooks import web_hook
from shop.errors import BadInput
from shop.models import Shop, User

MOST = 20
"""Listeners of one shop."""


def mail_listener_add(shop: Shop, email: str, user: User | None, now: datetime) -> Listener:
    """Tell this e-mail address from now on. Raises BadInput."""
    email = email.strip()
    try:
        validate_email(email)
    except ValidationError:
        raise BadInput("Give an e-mail address, as planner@shop.example.", field="email") from None
    _room(shop)
    if Listener.objects.of(shop).filter(email__iexact=email).exists():
        raise BadInput(f"{email} is told already.", field="email")
    return Listener.objects.create(shop=shop, kind=ListenerKind.EMAIL, email=email, made_by=user, made_at=now)


def hook_listener_add(shop: Shop, url: str, user: User | None, now: datetime) -> Listener:
    """Tell this address from now on, signed with a secret of its own. Raises BadInput."""
    url = url.strip()
    web_hook(url)
    if len(url) > 500:
        raise BadInput("Give an address of at most 500 signs.", field="url")
    _room(shop)
    if Listener.objects.of(shop).filter(url=url).exists():
        raise BadInput("That address is told already.", field="url")
    return Listener.objects.create(
        shop=shop,
        kind=ListenerKind.WEBHOOK,
        url=url,
        secret=secrets.token_hex(32),
        made_by=user,
        made_at=now,
    )


def listener_switch(listener: Listener, on: bool) -> None:
    """Tell it no more, or again: then of what slips from now on, and of what still waits."""
    listener.active = on
    listener.save(update_fields=["active"])


def _room(shop: Shop) -> None:
    if Listener.objects.of(shop).count() >= MOST:
        raise BadInput(f"{MOST} are told already. Remove one of them first.")
