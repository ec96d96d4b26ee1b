"""What was put right on the clock afterwards, by whom and why."""

import uuid

from django.conf import settings
from django.db import models

from jobs.models.jobs import Job
from shop.models import ShopOwned


class CorrectionKind(models.TextChoices):
    """What was put right."""

    MOVE = "move", "Time moved"
    SPLIT = "split", "Stage split"
    FORGOTTEN = "forgotten", "Forgotten stop"
    ADD = "add", "Added afterwards"
    SHEET = "sheet", "Timed sheet typed up"
    TAKE_BACK = "take_back", "Tap taken back"
    VOUCH = "vouch", "Found right"
    UNDO = "undo", "Correction undone"


class Correction(ShopOwned):
    """One putting right of a job's clock: the events that did it name it. Never changed and never deleted.

    before, after: what the touched stages came to, for people to read:
    [{"stage": name, "state", "intervals": [{"kind", "who", "starts_at", "ends_at"}], "hands_on_min"}].
    """

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    job = models.ForeignKey(Job, on_delete=models.PROTECT, related_name="corrections")
    kind = models.CharField(max_length=10, choices=CorrectionKind)
    reason = models.CharField(max_length=200)
    by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    at = models.DateTimeField()
    before = models.JSONField(default=list)
    after = models.JSONField(default=list)
    undoes = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="undone_by"
    )

    class Meta:
        ordering = ["-at", "id"]
        indexes = [models.Index("job", "at", name="correction_by_job")]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}: {self.reason}"
