"""The shop's own facts."""

from shop.models.base import ShopOwned, ShopOwnedManager, ShopQuerySet
from shop.models.devices import Device, Purpose
from shop.models.hours import Closure, OpeningHours
from shop.models.machines import Machine, MachineKind, Media, Unattended
from shop.models.people import Membership, Person, Role, Skill, User
from shop.models.processes import Finish, InkBuild, Process, ProcessKind
from shop.models.readiness import CheckOutcome, CheckResult, ReadinessCheck
from shop.models.recipes import Recipe, RecipeOutcome
from shop.models.shop import Shop, Units

__all__ = [
    "CheckOutcome",
    "CheckResult",
    "Closure",
    "Device",
    "Finish",
    "InkBuild",
    "Machine",
    "MachineKind",
    "Media",
    "Membership",
    "OpeningHours",
    "Person",
    "Process",
    "ProcessKind",
    "Purpose",
    "ReadinessCheck",
    "Recipe",
    "RecipeOutcome",
    "Role",
    "Shop",
    "ShopOwned",
    "ShopOwnedManager",
    "ShopQuerySet",
    "Skill",
    "Unattended",
    "Units",
    "User",
]
