"""Who works in the shop, and who may log in to it."""

from django.contrib.auth.models import AbstractUser
from django.db import models

from shop.models.base import ShopOwned
from shop.models.shop import Shop


class User(AbstractUser):
    """Somebody who can log in."""

    password_is_one_time = models.BooleanField(
        default=False, help_text="Given by an owner: it only opens the page on which to choose another."
    )


class Role(models.TextChoices):
    """What a log-in may do; each may do what those after it may."""

    OWNER = "owner", "Owner"
    PLANNER = "planner", "Planner"
    MAKER = "maker", "Maker"
    VIEWER = "viewer", "Viewer"


class Membership(models.Model):
    """A log-in's place in one shop. A log-in has one shop."""

    user = models.OneToOneField(User, on_delete=models.CASCADE, related_name="membership")
    shop = models.ForeignKey(Shop, on_delete=models.CASCADE, related_name="memberships")
    role = models.CharField(max_length=8, choices=Role, default=Role.MAKER)

    def __str__(self) -> str:
        return f"{self.user} ({self.get_role_display()})"

    def may(self, role: Role) -> bool:
        """Whether this log-in may do what `role` may."""
        order = list(Role)
        return order.index(Role(self.role)) <= order.index(role)


class Skill(ShopOwned):
    """Something a person can do: artwork, printing, finishing, fitting."""

    name = models.CharField(max_length=60)

    class Meta:
        ordering = ["name"]
        constraints = [models.UniqueConstraint("shop", "name", name="skill_once_per_shop")]

    def __str__(self) -> str:
        return self.name


class Person(ShopOwned):
    """Someone who works there."""

    name = models.CharField(max_length=80)
    user = models.OneToOneField(User, null=True, blank=True, on_delete=models.SET_NULL, related_name="person")
    skills = models.ManyToManyField(Skill, blank=True, related_name="people")
    active = models.BooleanField(default=True)
    pin = models.CharField(max_length=128, blank=True, help_text="Hashed; for shared devices. Empty: none.")
    pin_failures = models.PositiveSmallIntegerField(default=0, help_text="Wrong PINs in a row.")
    pin_locked_until = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["name"]
        verbose_name_plural = "people"
        constraints = [models.UniqueConstraint("shop", "name", name="person_once_per_shop")]

    def __str__(self) -> str:
        return self.name
