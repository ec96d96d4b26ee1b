"""Families of jobs, and the network of stages that each goes through."""

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models

from shop.models import MachineKind, Process, ShopOwned, Skill


class Category(models.TextChoices):
    """What a stage's time counts as."""

    SETUP = "setup", "Set-up"
    WORK = "work", "Work"
    HOLD = "hold", "Hold"


class Attendance(models.TextChoices):
    """How much of a stage needs somebody beside it."""

    THROUGHOUT = "throughout", "Somebody is at it throughout"
    START = "start", "Somebody starts it, then the machine runs on alone"
    NOBODY = "nobody", "Nobody: it only takes time"


class StageKind(ShopOwned):
    """A kind of stage, as print or weed; a shop adds its own."""

    key = models.SlugField(max_length=80, help_text="Names the trade default, where there is one.")
    name = models.CharField(max_length=80)
    category = models.CharField(max_length=5, choices=Category, default=Category.WORK)
    attendance = models.CharField(max_length=10, choices=Attendance, default=Attendance.THROUGHOUT)
    machine_kind = models.CharField(max_length=16, choices=MachineKind, blank=True)
    skill = models.ForeignKey(
        Skill, null=True, blank=True, on_delete=models.SET_NULL, related_name="stage_kinds"
    )
    people = models.PositiveSmallIntegerField(
        default=1,
        validators=[MinValueValidator(1), MaxValueValidator(4)],
        help_text="How many people it takes.",
    )
    hold_min = models.PositiveIntegerField(
        null=True, blank=True, help_text="Minutes, for a hold of fixed length."
    )
    caution = models.TextField(blank=True, help_text="Shown where the work is.")
    on_site = models.BooleanField(default=False, help_text="Done at the customer's.")
    ignores: "models.ManyToManyField[Driver, models.Model]" = models.ManyToManyField(
        "Driver", blank=True, related_name="+", help_text="Drivers that its time does not depend on."
    )
    position = models.PositiveSmallIntegerField(default=0, help_text="Order in lists; also picks its colour.")
    stock = models.BooleanField(default=False)

    class Meta:
        ordering = ["position", "name"]
        constraints = [
            models.UniqueConstraint("shop", "key", name="stage_kind_key_once"),
            models.UniqueConstraint("shop", "name", name="stage_kind_name_once"),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def is_hold(self) -> bool:
        """Whether it is a stage that nobody works at."""
        return self.category == Category.HOLD


class Driver(ShopOwned):
    """A quantity that a stage's time grows with, or a category that it depends on."""

    key = models.SlugField(max_length=40)
    name = models.CharField(max_length=60)
    unit = models.CharField(max_length=12, blank=True)
    is_category = models.BooleanField(default=False)
    is_yes_no = models.BooleanField(default=False, help_text="A number that is 1 for yes and 0 for no.")
    levels = models.JSONField(default=list, blank=True, help_text="What a category may be; empty: any text.")
    stock = models.BooleanField(default=False)

    class Meta:
        ordering = ["key"]
        constraints = [
            models.UniqueConstraint("shop", "key", name="driver_once_per_shop"),
            models.CheckConstraint(
                condition=~models.Q(is_category=True, is_yes_no=True), name="driver_is_of_one_sort"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class JobType(ShopOwned):
    """A family of jobs with a route."""

    name = models.CharField(max_length=80)
    active = models.BooleanField(default=True)
    unsuited: "models.ManyToManyField[Process, models.Model]" = models.ManyToManyField(
        Process, blank=True, related_name="+", help_text="Processes that do not suit this work."
    )

    class Meta:
        ordering = ["name"]
        constraints = [models.UniqueConstraint("shop", "name", name="job_type_once_per_shop")]

    def __str__(self) -> str:
        return self.name


class Needed(models.TextChoices):
    """When a stage of a route is taken into a job."""

    ALWAYS = "always", "Always"
    PRINTED = "printed", "When the process prints"
    LAMINATED = "laminated", "When the finish laminates"
    HELD = "held", "When the process has a hold"
    ON_REQUEST = "on_request", "When asked for"


class EdgeKind(models.TextChoices):
    """From which moment of the earlier stage the later one may begin."""

    FINISH = "finish", "After it is finished"
    ATTENDED = "attended", "Once it runs alone"


class RouteStage(ShopOwned):
    """One node of a job type's route."""

    job_type = models.ForeignKey(JobType, on_delete=models.CASCADE, related_name="route")
    kind = models.ForeignKey(StageKind, on_delete=models.PROTECT, related_name="+")
    name = models.CharField(max_length=80, blank=True, help_text="Empty: the kind's own name.")
    needed = models.CharField(max_length=10, choices=Needed, default=Needed.ALWAYS)
    position = models.PositiveSmallIntegerField(default=0)

    class Meta:
        ordering = ["position", "pk"]

    def __str__(self) -> str:
        return self.name or self.kind.name


class RouteEdge(ShopOwned):
    """One arrow of a job type's route."""

    before = models.ForeignKey(RouteStage, on_delete=models.CASCADE, related_name="out_edges")
    after = models.ForeignKey(RouteStage, on_delete=models.CASCADE, related_name="in_edges")
    kind = models.CharField(max_length=8, choices=EdgeKind, default=EdgeKind.FINISH)
    lag_min = models.PositiveIntegerField(default=0, help_text="Minutes that pass between the two.")

    class Meta:
        constraints = [
            models.UniqueConstraint("before", "after", name="route_edge_once"),
            models.CheckConstraint(
                condition=~models.Q(before=models.F("after")), name="route_edge_not_to_itself"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.before} > {self.after}"
