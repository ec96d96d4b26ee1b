"""Pieces of work for customers."""

from django.core.validators import MinValueValidator
from django.db import models
from django.utils import timezone

from jobs.models.routes import EdgeKind, JobType, StageKind
from shop.models import Finish, InkBuild, Machine, Media, Process, ShopOwned


class Customer(ShopOwned):
    """Whom the work is for."""

    name = models.CharField(max_length=120)
    contact = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["name"]
        constraints = [models.UniqueConstraint("shop", "name", name="customer_once_per_shop")]

    def __str__(self) -> str:
        return self.name


class JobStatus(models.TextChoices):
    """Where a job is in its life."""

    ENQUIRY = "enquiry", "Enquiry"
    PROMISED = "promised", "Promised"
    IN_HAND = "in_hand", "In hand"
    FINISHED = "finished", "Finished"
    CANCELLED = "cancelled", "Cancelled"


class Job(ShopOwned):
    """A piece of work for a customer."""

    number = models.PositiveIntegerField(help_text="Counts up within the shop.")
    reference = models.CharField(max_length=120, blank=True, help_text="Its name in an imported log.")
    imported = models.ForeignKey(
        "jobs.ImportDraft",
        null=True,
        blank=True,
        on_delete=models.SET_NULL,
        related_name="jobs",
        help_text="The import that made it; empty: somebody here did.",
    )
    title = models.CharField(max_length=160)
    customer = models.ForeignKey(
        Customer, null=True, blank=True, on_delete=models.PROTECT, related_name="jobs"
    )
    job_type = models.ForeignKey(JobType, on_delete=models.PROTECT, related_name="jobs")
    process = models.ForeignKey(Process, null=True, blank=True, on_delete=models.PROTECT, related_name="jobs")
    finish = models.ForeignKey(Finish, null=True, blank=True, on_delete=models.PROTECT, related_name="jobs")
    media = models.ForeignKey(Media, null=True, blank=True, on_delete=models.PROTECT, related_name="jobs")
    status = models.CharField(max_length=9, choices=JobStatus, default=JobStatus.ENQUIRY)
    drivers = models.JSONField(
        default=dict, blank=True, help_text="Driver key to value, over what its items give."
    )
    notes = models.TextField(blank=True)
    ready_from = models.DateTimeField(
        null=True, blank=True, help_text="Not before: artwork or film arrives then."
    )
    film_from = models.DateTimeField(
        null=True,
        blank=True,
        help_text="Film arrives then: not before it does a stage that takes film begin.",
    )
    due_at = models.DateTimeField(null=True, blank=True, help_text="The date that the customer was given.")
    turn_at = models.DateTimeField(
        null=True, blank=True, help_text="Its place in the queue, as if it were due then; empty: its date."
    )
    created_at = models.DateTimeField(default=timezone.now)
    # Derived from the stages' intervals.
    started_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-number"]
        constraints = [
            models.UniqueConstraint("shop", "number", name="job_number_once_per_shop"),
            models.UniqueConstraint(
                "shop", "reference", name="job_reference_once", condition=~models.Q(reference="")
            ),
        ]
        indexes = [models.Index("shop", "status", name="job_by_status")]

    def __str__(self) -> str:
        return f"{self.number} {self.title}"


class Item(ShopOwned):
    """One graphic in a job."""

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="items")
    name = models.CharField(max_length=120, blank=True)
    width_mm = models.FloatField(validators=[MinValueValidator(1)])
    height_mm = models.FloatField(validators=[MinValueValidator(1)])
    count = models.PositiveIntegerField(default=1, validators=[MinValueValidator(1)])
    cut_m = models.FloatField(
        null=True,
        blank=True,
        validators=[MinValueValidator(0)],
        help_text="Cut path of one, m; empty: its outline.",
    )
    letter_mm = models.FloatField(
        null=True,
        blank=True,
        validators=[MinValueValidator(0.1)],
        help_text="Height of its letters, mm; empty: it has none, or none that matter.",
    )
    ink_build = models.CharField(max_length=20, choices=InkBuild, default=InkBuild.COLOUR)
    position = models.PositiveSmallIntegerField(default=0)

    class Meta:
        ordering = ["position", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(width_mm__gt=0, height_mm__gt=0, count__gte=1), name="item_has_a_size"
            )
        ]

    def __str__(self) -> str:
        return f"{self.name or 'Item'} {self.width_mm:g} × {self.height_mm:g} mm, {self.count}"


class StageState(models.TextChoices):
    """What the clock says of a stage."""

    WAITING = "waiting", "Waiting"
    RUNNING = "running", "Running"
    PAUSED = "paused", "Paused"
    PUT_ASIDE = "put_aside", "Put aside"
    FINISHED = "finished", "Finished"


class Stage(ShopOwned):
    """One node of a job's own copy of the route."""

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="stages")
    kind = models.ForeignKey(StageKind, on_delete=models.PROTECT, related_name="stages")
    name = models.CharField(max_length=80)
    position = models.PositiveSmallIntegerField(default=0)
    left_out = models.BooleanField(default=False)
    hold_min = models.PositiveIntegerField(
        null=True, blank=True, help_text="Minutes, for a hold of fixed length."
    )
    drivers = models.JSONField(default=dict, blank=True, help_text="Driver key to value, over the job's.")
    machine = models.ForeignKey(Machine, null=True, blank=True, on_delete=models.SET_NULL, related_name="+")
    pinned_at = models.DateTimeField(
        null=True, blank=True, help_text="It is to begin then: not before, and ahead of what else waits."
    )
    # Derived from the clock events.
    state = models.CharField(max_length=9, choices=StageState, default=StageState.WAITING)
    started_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)
    fold_digest = models.CharField(
        max_length=16, blank=True, help_text="Digest of what its events amount to."
    )

    class Meta:
        ordering = ["position", "pk"]
        indexes = [
            models.Index("shop", "state", name="stage_by_state"),
            models.Index("shop", "finished_at", name="stage_by_finish"),
        ]

    def __str__(self) -> str:
        return self.name


class VisitWindow(ShopOwned):
    """When a customer can be visited: the stages done there begin within one of the job's windows."""

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="visits")
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()

    class Meta:
        ordering = ["starts_at"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(ends_at__gt=models.F("starts_at")), name="visit_not_reversed"
            )
        ]

    def __str__(self) -> str:
        return f"{self.starts_at:%Y-%m-%d %H:%M} to {self.ends_at:%Y-%m-%d %H:%M}"


class StageEdge(ShopOwned):
    """One arrow of a job's own copy of the route."""

    before = models.ForeignKey(Stage, on_delete=models.CASCADE, related_name="out_edges")
    after = models.ForeignKey(Stage, on_delete=models.CASCADE, related_name="in_edges")
    kind = models.CharField(max_length=8, choices=EdgeKind, default=EdgeKind.FINISH)
    lag_min = models.PositiveIntegerField(default=0, help_text="Minutes that pass between the two.")

    class Meta:
        constraints = [
            models.UniqueConstraint("before", "after", name="stage_edge_once"),
            models.CheckConstraint(
                condition=~models.Q(before=models.F("after")), name="stage_edge_not_to_itself"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.before} > {self.after}"
