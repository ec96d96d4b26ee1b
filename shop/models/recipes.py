"""Settings that worked for a film and an ink build on a machine."""

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

from shop.models.base import ShopOwned
from shop.models.machines import Machine, Media
from shop.models.people import Person
from shop.models.processes import InkBuild


class RecipeOutcome(models.TextChoices):
    """How the settings did."""

    WORKED = "worked", "Worked"
    NEARLY = "nearly", "Nearly"
    FAILED = "failed", "Did not work"


class Recipe(ShopOwned):
    """Settings as they were once used, and how they did. A better try is another row, so that all can be looked up."""

    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, related_name="recipes")
    media = models.ForeignKey(Media, on_delete=models.PROTECT, related_name="recipes")
    ink_build = models.CharField(max_length=20, choices=InkBuild, default=InkBuild.COLOUR)
    force_gf = models.PositiveIntegerField(
        null=True,
        blank=True,
        validators=[MinValueValidator(1), MaxValueValidator(2000)],
        help_text="Cutting force, gf.",
    )
    blade = models.CharField(max_length=60, blank=True)
    passes = models.PositiveSmallIntegerField(
        null=True, blank=True, validators=[MinValueValidator(1), MaxValueValidator(64)]
    )
    speed_mm_s = models.PositiveIntegerField(null=True, blank=True, help_text="Cutting speed, mm/s.")
    heat_c = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="Heater or laminating roller, °C."
    )
    print_mode = models.CharField(max_length=60, blank=True)
    outcome = models.CharField(max_length=6, choices=RecipeOutcome, default=RecipeOutcome.WORKED)
    note = models.CharField(max_length=200, blank=True)
    job_number = models.PositiveIntegerField(null=True, blank=True, help_text="The job it was tried on.")
    person = models.ForeignKey(Person, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    at = models.DateTimeField()
    active = models.BooleanField(default=True)

    class Meta:
        ordering = ["-at", "-pk"]
        indexes = [models.Index("media", "ink_build", "machine", name="recipe_by_build")]

    def __str__(self) -> str:
        return f"{self.media}, {self.get_ink_build_display().lower()}, {self.machine}"
