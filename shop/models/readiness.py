"""What is done before a machine may run, and how it turned out."""

from django.conf import settings
from django.core.validators import MinValueValidator
from django.db import models

from shop.models.base import ShopOwned
from shop.models.machines import Machine
from shop.models.people import Person


class ReadinessCheck(ShopOwned):
    """Something to do before a machine runs, due once it has stood idle for so long."""

    machine = models.ForeignKey(Machine, on_delete=models.CASCADE, related_name="checks")
    name = models.CharField(max_length=80)
    idle_hours = models.PositiveIntegerField(
        default=0,
        help_text="Due once the machine has stood for so many hours; 0: before every day's first job.",
    )
    if_bad = models.CharField(max_length=200, blank=True, help_text="What to do when it fails.")
    caution = models.TextField(blank=True, help_text="Shown where the work is.")
    position = models.PositiveSmallIntegerField(default=0)
    active = models.BooleanField(default=True)

    class Meta:
        ordering = ["machine", "position", "name"]
        constraints = [models.UniqueConstraint("machine", "name", name="readiness_check_once_per_machine")]

    def __str__(self) -> str:
        return self.name


class CheckOutcome(models.TextChoices):
    """How a readiness check turned out."""

    GOOD = "good", "Good"
    PUT_RIGHT = "put_right", "Put right"
    BAD = "bad", "Not good"


class CheckResult(ShopOwned):
    """One readiness check done. Never changed: one that was wrong is taken back."""

    id = models.UUIDField(primary_key=True, editable=False, help_text="Made by the client.")
    check_done = models.ForeignKey(ReadinessCheck, on_delete=models.PROTECT, related_name="results")
    at = models.DateTimeField()
    person = models.ForeignKey(Person, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    outcome = models.CharField(max_length=9, choices=CheckOutcome)
    minutes = models.FloatField(null=True, blank=True, validators=[MinValueValidator(0)])
    note = models.CharField(max_length=200, blank=True)
    photo = models.FileField(upload_to="checks/", blank=True)
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    received_at = models.DateTimeField()
    taken_back_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-at", "id"]
        indexes = [models.Index("check_done", "at", name="check_result_by_check")]

    def __str__(self) -> str:
        return f"{self.check_done}: {self.get_outcome_display()}"
