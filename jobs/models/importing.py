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
    dates = models.CharField(max_length=3, blank=True, help_text="Order of day and month, where it was said.")
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
    TAKING = "taking", "Being taken back"
    TAKEN = "taken", "Taken back"
    PARTLY = "partly", "Taken back in part"


class ImportDraft(ShopOwned):
    """A log on its way in, and then the record of what it brought: the file itself is forgotten."""

    name = models.CharField(max_length=200)
    content = models.BinaryField()
    columns = models.JSONField(default=dict, help_text="As in ColumnMapping.")
    dates = models.CharField(max_length=3, blank=True, help_text="As in ColumnMapping.")
    state = models.CharField(max_length=8, choices=DraftState, default=DraftState.PREVIEW)
    step = models.CharField(max_length=200, blank=True, help_text="What is being done.")
    result = models.JSONField(default=dict, help_text="What was made, or what is wrong.")
    made_at = models.DateTimeField(default=timezone.now)
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    made = models.JSONField(default=dict, help_text="New words and routes: of which sort, to their keys.")
    brought_in_at = models.DateTimeField(
        null=True, blank=True, help_text="When all of it was in; until then nothing is learned from it."
    )
    taken_back_at = models.DateTimeField(null=True, blank=True)
    taken_back_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )

    class Meta:
        ordering = ["-made_at"]

    def __str__(self) -> str:
        return self.name


class ImportedStage(ShopOwned):
    """That an import made a stage, or added to one, with what its time depended on before and after."""

    imported = models.ForeignKey(ImportDraft, on_delete=models.CASCADE, related_name="stages")
    stage = models.ForeignKey("jobs.Stage", on_delete=models.CASCADE, related_name="+")
    is_new = models.BooleanField(help_text="The import made it.")
    before = models.JSONField(default=dict, help_text="The stage's drivers before.")
    after = models.JSONField(default=dict, help_text="The stage's drivers as the import left them.")

    class Meta:
        constraints = [models.UniqueConstraint("imported", "stage", name="imported_stage_once")]

    def __str__(self) -> str:
        return f"{self.stage} by {self.imported}"
