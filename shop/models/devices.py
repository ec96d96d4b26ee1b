"""Devices that nobody owns alone: a tablet on the bench, a screen on the wall."""

from django.db import models
from django.utils import timezone

from shop.models.base import ShopOwned
from shop.models.people import User


class Purpose(models.TextChoices):
    """What a device is for."""

    FLOOR = "floor", "Shared tablet on the floor"
    WALL = "wall", "Screen on the wall"


class Device(ShopOwned):
    """A device that an owner enrolled. It has a log-in of its own, without a password; revoking it ends that."""

    name = models.CharField(max_length=60)
    purpose = models.CharField(max_length=5, choices=Purpose, default=Purpose.FLOOR)
    user = models.OneToOneField(User, on_delete=models.PROTECT, related_name="device")
    enrolled_by = models.ForeignKey(User, null=True, blank=True, on_delete=models.SET_NULL, related_name="+")
    enrolled_at = models.DateTimeField(default=timezone.now)
    joined_at = models.DateTimeField(null=True, blank=True, help_text="When it used its invitation.")
    invitation = models.CharField(
        max_length=64, blank=True, help_text="Digest of the address that lets it in once."
    )
    invitation_until = models.DateTimeField(null=True, blank=True)
    last_seen_at = models.DateTimeField(null=True, blank=True)
    revoked_at = models.DateTimeField(null=True, blank=True)
    wrong_pins = models.PositiveSmallIntegerField(default=0, help_text="Since wrong_pins_from.")
    wrong_pins_from = models.DateTimeField(null=True, blank=True)
    pins_locked_until = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["revoked_at", "name"]

    def __str__(self) -> str:
        return self.name
