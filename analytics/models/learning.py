"""Samples, what was learned from them, and their daily sums. All of it can be made again from the events."""

from django.db import models

from jobs.models import JobType, Stage, StageKind
from shop.models import Machine, Person, ShopOwned


class Part(models.TextChoices):
    """Which minutes of a stage a duration model is of."""

    HANDS_ON = "hands_on", "Hands-on"
    UNATTENDED = "unattended", "Unattended run"


class Sample(ShopOwned):
    """A finished stage's clean minutes with its drivers: what the model learns from."""

    stage = models.OneToOneField(Stage, on_delete=models.CASCADE, related_name="sample")
    kind = models.ForeignKey(StageKind, on_delete=models.CASCADE, related_name="samples")
    job_type = models.ForeignKey(JobType, on_delete=models.CASCADE, related_name="samples")
    person = models.ForeignKey(Person, null=True, blank=True, on_delete=models.SET_NULL, related_name="+")
    machine = models.ForeignKey(Machine, null=True, blank=True, on_delete=models.SET_NULL, related_name="+")
    hands_on_min = models.FloatField(help_text="Minutes with at least one person at it.")
    unattended_min = models.FloatField(default=0, help_text="Minutes that the machine ran alone.")
    drivers = models.JSONField(default=dict)
    categories = models.JSONField(default=dict, help_text="Job type, person, machine and the shop's own.")
    finished_at = models.DateTimeField()
    used = models.BooleanField(default=True, help_text="Whether the model learns from it.")
    why = models.CharField(max_length=120, blank=True, help_text="Why it is not used.")
    pit = models.JSONField(
        default=dict, help_text="Part to where the minutes fell in the forecast before them, 0..1."
    )
    weight = models.JSONField(
        default=dict,
        help_text="Part to how much the record counts in what was learned, 0..1.",
    )
    fold_digest = models.CharField(max_length=16, help_text="The stage's digest when this was made.")

    class Meta:
        ordering = ["finished_at", "stage_id"]
        indexes = [
            models.Index("shop", "kind", "finished_at", name="sample_in_order"),
            models.Index("shop", "finished_at", name="sample_by_day"),
        ]

    def __str__(self) -> str:
        return f"{self.kind}: {self.hands_on_min + self.unattended_min:.1f} min"

    @property
    def minutes(self) -> float:
        """All the minutes that somebody or the machine was at it."""
        return self.hands_on_min + self.unattended_min


class ModelState(ShopOwned):
    """Sufficient statistics of one stage kind's minutes."""

    kind = models.ForeignKey(StageKind, on_delete=models.CASCADE, related_name="model_states")
    part = models.CharField(max_length=10, choices=Part, default=Part.HANDS_ON)
    state = models.JSONField(default=dict)
    n = models.PositiveIntegerField(default=0, help_text="Samples learned.")
    # The last sample learned: an earlier one that comes late means learning the kind again in order.
    last_at = models.DateTimeField(null=True, blank=True)
    last_stage = models.PositiveBigIntegerField(default=0)

    class Meta:
        constraints = [models.UniqueConstraint("kind", "part", name="model_state_once")]

    def __str__(self) -> str:
        return f"{self.kind} {self.get_part_display()}, {self.n} learned"


class PooledState(ShopOwned):
    """What the shop's stage kinds without a trade formula share. Its rows are the lock of the shop's learning."""

    part = models.CharField(max_length=10, choices=Part)
    state = models.JSONField(default=dict)
    n = models.PositiveIntegerField(default=0, help_text="Samples learned.")
    last_at = models.DateTimeField(null=True, blank=True)
    last_stage = models.PositiveBigIntegerField(default=0)
    version = models.PositiveBigIntegerField(default=0, help_text="Raised whenever the shop learns.")

    class Meta:
        constraints = [models.UniqueConstraint("shop", "part", name="pooled_state_once")]

    def __str__(self) -> str:
        return f"{self.get_part_display()} of the shop's own stages, {self.n} learned"


class StageDay(ShopOwned):
    """One day's finished stages of one kind and job type: counts in bins of log minutes, which add up."""

    day = models.DateField(help_text="In the shop's zone.")
    kind = models.ForeignKey(StageKind, on_delete=models.CASCADE, related_name="+")
    job_type = models.ForeignKey(JobType, on_delete=models.CASCADE, related_name="+")
    n = models.PositiveIntegerField()
    minutes = models.FloatField(help_text="Their sum.")
    bins = models.JSONField(default=dict, help_text="Bin number to count.")

    class Meta:
        ordering = ["day"]
        constraints = [models.UniqueConstraint("kind", "job_type", "day", name="stage_day_once")]
        indexes = [models.Index("shop", "day", name="stage_day_by_day")]

    def __str__(self) -> str:
        return f"{self.day} {self.kind}: {self.n}"


class AdoptedPrior(ShopOwned):
    """The starting point that other shops' posteriors gave this one, as it was taken over.

    It is an input of the learning and changes only when it is taken over anew, so that what is derived can be made
    again.
    """

    kind_key = models.SlugField(max_length=80)
    part = models.CharField(max_length=10, choices=Part)
    prior = models.JSONField()
    shops = models.PositiveIntegerField(help_text="How many shops it comes from.")
    taken_at = models.DateTimeField()

    class Meta:
        constraints = [models.UniqueConstraint("shop", "kind_key", "part", name="adopted_prior_once")]

    def __str__(self) -> str:
        return f"{self.kind_key} {self.get_part_display()}, from {self.shops} shops"
