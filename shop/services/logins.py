"""Log-ins: the first owner's, and those that owners give to others."""

from __future__ import annotations

import secrets

from django.contrib.contenttypes.models import ContentType
from django.db import transaction
from django.utils.text import slugify

from shop.errors import BadInput, ShopError
from shop.models import Membership, OpeningHours, Person, Role, Shop, Skill, User
from shop.selectors import has_owner, ownerless_shop
from shop.services.hours import weekday_hours_create
from shop.services.shops import revision_raise, shop_create, shop_update

# Without letters that are mistaken for one another when read aloud or off a note.
_ALPHABET = "abcdefghjkmnpqrstuvwxyz23456789"


@transaction.atomic
def owner_setup(*, username: str, password: str, **facts: object) -> Membership:
    """Make the first owner and the shop, or give the owner the shop that was made before any log-in.

    facts: fields of Shop, with its name. That shop keeps its rows. Raises ShopError where a shop has an owner
    already, BadInput where the log-in's name is taken.
    """
    # This row always exists, so two people who set up at the same moment wait for each other here.
    ContentType.objects.select_for_update().get(app_label="shop", model="shop")
    if has_owner():
        raise ShopError("This shop has been set up already. Log in, or ask its owner for a log-in.")
    _check_username(username)
    user = User.objects.create_user(username, password=password)
    shop = ownerless_shop()
    if shop:
        shop_update(shop, **facts)
    else:
        name = str(facts.pop("name"))
        shop = shop_create(slug=slugify(name)[:50] or "shop", name=name, owner=None, **facts)
    if not OpeningHours.objects.of(shop).exists():
        weekday_hours_create(shop)
    _person_of_owner(shop, user)
    return Membership.objects.create(user=user, shop=shop, role=Role.OWNER)


@transaction.atomic
def login_create(*, shop: Shop, username: str, role: Role, person: Person | None = None) -> tuple[User, str]:
    """Make a log-in with a one-time password, which is returned and kept nowhere.

    Raises BadInput where the name is taken or the person has a log-in.
    """
    _check_username(username)
    if person and person.user_id:
        raise BadInput(f"{person} has a log-in already. Choose somebody else, or nobody.", field="person")
    password = one_time_password()
    user = User.objects.create_user(username, password=password, password_is_one_time=True)
    Membership.objects.create(user=user, shop=shop, role=role)
    if person:
        person.user = user
        person.save(update_fields=["user"])
    revision_raise(shop.pk)
    return user, password


@transaction.atomic
def role_change(membership: Membership, role: Role) -> Membership:
    """Give a log-in another role. Raises ShopError for the last owner."""
    _lock(membership)
    membership.refresh_from_db()
    if role != Role.OWNER:
        _check_not_last_owner(membership)
    membership.role = role
    membership.save(update_fields=["role"])
    revision_raise(membership.shop_id)
    return membership


@transaction.atomic
def password_reset(membership: Membership) -> str:
    """Replace a log-in's password by a one-time one, which is returned. It is logged out everywhere."""
    password = one_time_password()
    user = membership.user
    user.set_password(password)
    user.password_is_one_time = True
    user.save(update_fields=["password", "password_is_one_time"])
    return password


@transaction.atomic
def login_remove(membership: Membership) -> None:
    """Delete a log-in. The person stays, with all that was clocked. Raises ShopError for the last owner."""
    _lock(membership)
    membership.refresh_from_db()
    _check_not_last_owner(membership)
    membership.user.delete()
    revision_raise(membership.shop_id)


def one_time_password() -> str:
    """A random password that can be read aloud: 'k7wd-m3xe-9hqa' (59 bits)."""
    return "-".join("".join(secrets.choice(_ALPHABET) for _ in range(4)) for _ in range(3))


def _check_username(username: str) -> None:
    if User.objects.filter(username__iexact=username).exists():
        raise BadInput(f"There already is a log-in “{username}”. Choose another name.", field="username")


def _check_not_last_owner(membership: Membership) -> None:
    owners = Membership.objects.filter(shop=membership.shop, role=Role.OWNER)
    if membership.role == Role.OWNER and not owners.exclude(pk=membership.pk).exists():
        raise ShopError(
            f"{membership.user} is the only owner, and a shop needs one. Make somebody else an owner first."
        )


def _lock(membership: Membership) -> None:
    """Make two changes of a shop's log-ins wait for each other: each could leave the other the last owner."""
    Shop.objects.select_for_update().get(pk=membership.shop_id)


def _person_of_owner(shop: Shop, user: User) -> None:
    """The owner among the people: the one of that name that there is, or a new one who can do everything."""
    name = user.username if user.username != user.username.lower() else user.username.capitalize()
    person = Person.objects.of(shop).filter(name__iexact=name, user=None).first()
    if person is None and Person.objects.of(shop).filter(name__iexact=name).exists():
        return
    person = person or Person(shop=shop, name=name)
    person.user = user
    person.save()
    if not person.skills.exists():
        person.skills.set(Skill.objects.of(shop))
