"""The stopwatch: events that are only ever added, and the intervals that they amount to."""

from typing import Any, NoReturn

from django.conf import settings
from django.db import models

from jobs.models.corrections import Correction
from jobs.models.jobs import Stage
from jobs.models.routes import StageKind
from shop.models import Machine, Person, ShopOwned


class Cause(ShopOwned):
    """Why a stage paused or was done again."""

    key = models.SlugField(max_length=40)
    name = models.CharField(max_length=60)
    position = models.PositiveSmallIntegerField(default=0)
    pauses = models.BooleanField(default=True, help_text="Offered where a stage pauses.")
    remakes = models.BooleanField(default=False, help_text="Offered where work is done again.")
    active = models.BooleanField(default=True)
    stock = models.BooleanField(default=False)

    class Meta:
        ordering = ["position", "name"]
        constraints = [models.UniqueConstraint("shop", "key", name="cause_once_per_shop")]

    def __str__(self) -> str:
        return self.name


class Element(ShopOwned):
    """A named lap inside a kind of stage, as 'load roll' or 'cut test'."""

    kind = models.ForeignKey(StageKind, on_delete=models.CASCADE, related_name="elements")
    name = models.CharField(max_length=60)
    position = models.PositiveSmallIntegerField(default=0)
    active = models.BooleanField(default=True)

    class Meta:
        ordering = ["kind", "position", "name"]
        constraints = [models.UniqueConstraint("kind", "name", name="element_once_per_kind")]

    def __str__(self) -> str:
        return self.name


class TapKind(models.TextChoices):
    """One press on the stopwatch."""

    START = "start", "Start"
    NEXT = "next", "Next"  # finishes `stage`, starts `to_stage`
    PAUSE = "pause", "Pause"
    RESUME = "resume", "Resume"
    LEAVE = "leave", "Leave it running"  # the person goes, the machine runs on
    ASIDE = "aside", "Put aside"  # the sitting ends, the stage does not
    FINISH = "finish", "Finish"
    SITTING = "sitting", "Recorded sitting"  # a whole sitting, from a sheet or an imported log
    LAP = "lap", "Lap"  # an element ends, the next begins
    AGAIN = "again", "Do again"  # from `to_stage` up to `stage` the work is done again
    VOUCH = "vouch", "It is right"  # what was clocked here until then is as it was
    VOID = "void", "Take back"  # the event named by `corrects` does not count


class ClockEvent(ShopOwned):
    """One tap. Never changed and never deleted: a correction is another event."""

    id = models.UUIDField(primary_key=True, editable=False, help_text="Made by the client.")
    kind = models.CharField(max_length=8, choices=TapKind)
    stage = models.ForeignKey(Stage, on_delete=models.PROTECT, related_name="events")
    to_stage = models.ForeignKey(Stage, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    person = models.ForeignKey(Person, null=True, blank=True, on_delete=models.PROTECT, related_name="events")
    machine = models.ForeignKey(Machine, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    cause = models.ForeignKey(Cause, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(help_text="When it happened, the device's clock put right.")
    until = models.DateTimeField(null=True, blank=True, help_text="End of a recorded sitting.")
    hands_on_min = models.FloatField(
        null=True, blank=True, help_text="Of a recorded sitting; empty: all of it."
    )
    device_at = models.DateTimeField(help_text="What the device's own clock said.")
    received_at = models.DateTimeField(help_text="When the server had it.")
    device = models.CharField(max_length=64, blank=True)
    element = models.ForeignKey(
        Element, null=True, blank=True, on_delete=models.PROTECT, related_name="+", help_text="That ended."
    )
    scrapped = models.PositiveIntegerField(
        null=True, blank=True, help_text="Pieces, where work is done again."
    )
    wasted_m = models.FloatField(
        null=True, blank=True, help_text="Film, m of roll, where work is done again."
    )
    # Not a foreign key: a correction may arrive before what it corrects. It stands in its place, unless it is a void.
    corrects = models.UUIDField(null=True, blank=True)
    correction = models.ForeignKey(
        Correction, null=True, blank=True, on_delete=models.PROTECT, related_name="events"
    )
    imported = models.ForeignKey(
        "jobs.ImportDraft",
        null=True,
        blank=True,
        on_delete=models.SET_NULL,
        related_name="events",
        db_index=False,
        help_text="The import that it came with; empty: it was clocked or recorded here.",
    )
    name_unproven = models.BooleanField(
        default=False, help_text="On a shared tablet: the person was chosen without their PIN."
    )
    note = models.CharField(max_length=200, blank=True)
    recorded_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )

    class Meta:
        ordering = ["at", "id"]
        indexes = [
            models.Index("stage", "at", name="event_by_stage"),
            models.Index("to_stage", "at", name="event_by_next_stage"),
            models.Index("person", "at", name="event_by_person"),
            models.Index("shop", "corrects", name="event_by_corrected"),
            models.Index("imported", name="event_by_import", condition=models.Q(imported__isnull=False)),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.stage} at {self.at:%Y-%m-%d %H:%M:%S}"

    def save(self, *args: Any, **kwargs: Any) -> None:
        """Add the event; refuse to change one."""
        if not self._state.adding:
            raise TypeError("A clock event is never changed. Add another that corrects it.")
        super().save(*args, **{**kwargs, "force_insert": True})

    def delete(self, *args: Any, **kwargs: Any) -> NoReturn:
        """Refuse."""
        raise TypeError("A clock event is never deleted. Add another that takes it back.")


class IntervalKind(models.TextChoices):
    """Whose minutes they are."""

    HANDS_ON = "hands_on", "Hands-on"
    MACHINE = "machine", "Machine run"
    INTERRUPTION = "interruption", "Interruption"
    HOLD = "hold", "Hold"


class Interval(ShopOwned):
    """A person, a machine or nobody, on a stage, from an instant to an instant. Derived from the events."""

    stage = models.ForeignKey(Stage, on_delete=models.CASCADE, related_name="intervals")
    kind = models.CharField(max_length=12, choices=IntervalKind)
    person = models.ForeignKey(Person, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    machine = models.ForeignKey(Machine, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    cause = models.ForeignKey(Cause, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField(null=True, blank=True, help_text="Empty: it still runs.")
    again = models.BooleanField(default=False, help_text="Work done again.")

    class Meta:
        ordering = ["starts_at", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=models.Q(ends_at__isnull=True) | models.Q(ends_at__gte=models.F("starts_at")),
                name="interval_not_negative",
            )
        ]
        indexes = [
            models.Index("person", "ends_at", name="interval_by_person"),
            models.Index("machine", "ends_at", name="interval_by_machine"),
            models.Index("shop", "starts_at", name="interval_by_start"),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.starts_at} to {self.ends_at or '…'}"


class Lap(ShopOwned):
    """One element of a stage, from an instant to an instant. Derived from the events."""

    stage = models.ForeignKey(Stage, on_delete=models.CASCADE, related_name="laps")
    element = models.ForeignKey(Element, null=True, blank=True, on_delete=models.PROTECT, related_name="laps")
    person = models.ForeignKey(Person, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    seconds = models.FloatField(help_text="Of the stage running between the two; pauses are left out.")

    class Meta:
        ordering = ["starts_at", "pk"]

    def __str__(self) -> str:
        return f"{self.element or 'Lap'} {self.seconds:g} s"
