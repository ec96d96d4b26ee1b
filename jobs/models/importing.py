"""Logs that are brought in: what was uploaded, and how its columns were read."""

from django.conf import settings
from django.db import models
from django.utils import timezone

from shop.models import ShopOwned


class ColumnMapping(ShopOwned):
    """How the columns of one layout of file were read the last time."""

    signature = models.CharField(max_length=64, help_text="SHA-256 of the file's column names in order.")
    columns = models.JSONField(
        default=dict, help_text="Column of the file to what it is read as; '' for left out."
    )
    used_at = models.DateTimeField(default=timezone.now)

    class Meta:
        constraints = [models.UniqueConstraint("shop", "signature", name="column_mapping_once")]

    def __str__(self) -> str:
        return ", ".join(self.columns)


class DraftState(models.TextChoices):
    """Where an uploaded log is on its way in."""

    PREVIEW = "preview", "To be looked at"
    WANTED = "wanted", "Waits for its turn"
    RUNNING = "running", "Being brought in"
    DONE = "done", "Brought in"
    FAILED = "failed", "Not brought in"


class ImportDraft(ShopOwned):
    """An uploaded log, kept until it is brought in or thrown away."""

    name = models.CharField(max_length=200)
    content = models.BinaryField()
    columns = models.JSONField(default=dict, help_text="As in ColumnMapping.")
    state = models.CharField(max_length=8, choices=DraftState, default=DraftState.PREVIEW)
    step = models.CharField(max_length=200, blank=True, help_text="What is being done.")
    result = models.JSONField(default=dict, help_text="What was made, or what is wrong.")
    made_at = models.DateTimeField(default=timezone.now)
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )

    class Meta:
        ordering = ["-made_at"]

    def __str__(self) -> str:
        return self.name
