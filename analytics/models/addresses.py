"""Addresses that open without a log-in: calendars, and one job's page for its customer."""

from django.conf import settings
from django.db import models

from jobs.models import Job
from shop.models import Machine, Person, ShopOwned

__all__ = ["OpenAddress", "OpenPurpose"]


class OpenPurpose(models.TextChoices):
    """What an address shows."""

    SHOP = "shop", "Calendar of the shop"
    PERSON = "person", "Calendar of a person"
    MACHINE = "machine", "Calendar of a machine"
    JOB = "job", "A job's page for its customer"


class OpenAddress(ShopOwned):
    """An address that nobody can guess, until it is revoked. Its token is made from `nonce` and the secret key."""

    purpose = models.CharField(max_length=7, choices=OpenPurpose)
    person = models.ForeignKey(Person, null=True, blank=True, on_delete=models.CASCADE, related_name="+")
    machine = models.ForeignKey(Machine, null=True, blank=True, on_delete=models.CASCADE, related_name="+")
    job = models.ForeignKey(Job, null=True, blank=True, on_delete=models.CASCADE, related_name="addresses")
    nonce = models.CharField(max_length=64, unique=True)
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    read_at = models.DateTimeField(null=True, blank=True, help_text="When it was last opened.")
    revoked_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["purpose", "pk"]

    def __str__(self) -> str:
        return f"{self.get_purpose_display()} {self.job or self.machine or self.person or ''}".strip()
