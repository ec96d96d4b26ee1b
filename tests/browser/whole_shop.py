"""A shop that can print, laminate, cut and finish, with one person, and a log-in to it."""

from shop.models import Machine, MachineKind, Membership, Person, Role, Shop, Skill, Unattended, User
from shop.services import shop_create


def whole_shop(time_zone: str = "Europe/London") -> Shop:
    """Ines can do everything; each machine may run alone. It is never open yet."""
    shop = shop_create(slug="quay", name="Quay Signs", time_zone=time_zone)
    Person.objects.create(shop=shop, name="Ines").skills.set(Skill.objects.of(shop))
    for kind in (MachineKind.PRINTER, MachineKind.LAMINATOR, MachineKind.CUTTER):
        Machine.objects.create(shop=shop, name=kind.label, kind=kind, unattended=Unattended.ALWAYS)
    return shop


def log_in_of(shop: Shop, role: Role) -> User:
    """A log-in to the shop, called as its role is."""
    user = User.objects.create_user(role.value, password="a long enough word")
    Membership.objects.create(user=user, shop=shop, role=role)
    return user
