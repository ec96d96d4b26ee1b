"""How the open jobs stand, which dates slip, and who is told."""

from django.conf import settings
from django.db import models

from analytics.models.promises import Promise
from jobs.models import Job
from shop.models import ShopOwned

__all__ = [
    "JobOutlook",
    "Listener",
    "ListenerKind",
    "Slip",
    "SlipKind",
    "Telling",
    "TellingEvent",
    "TellingState",
]


class JobOutlook(ShopOwned):
    """An open job's finish as it was last worked out. Derived; one row per job."""

    job = models.OneToOneField(Job, on_delete=models.CASCADE, related_name="outlook")
    worked_out_at = models.DateTimeField()
    revision = models.PositiveBigIntegerField(help_text="The shop's, when it was worked out.")
    quantiles = models.JSONField(help_text="Probability to ISO 8601 instant of the finish.")
    chance = models.FloatField(null=True, blank=True, help_text="Of its date being kept; empty: it has none.")
    runs = models.PositiveIntegerField(help_text="Futures drawn; 0: its finish cannot be said.")
    why = models.TextField(blank=True, help_text="Why its finish cannot be said, and what would change that.")

    class Meta:
        ordering = ["job"]

    def __str__(self) -> str:
        return f"{self.job} as of {self.worked_out_at:%Y-%m-%d %H:%M}"


class SlipKind(models.TextChoices):
    """What is wrong with a promise."""

    LATE = "late", "Its chance is below its confidence"
    STUCK = "stuck", "Its job cannot be done as the shop stands"


class Slip(ShopOwned):
    """A promise that fell below its confidence, or whose job cannot be done any more.

    It stands from when it was noticed until the promise was safe, its job possible again, finished, or changed.
    """

    promise = models.ForeignKey(Promise, on_delete=models.CASCADE, related_name="slips")
    kind = models.CharField(max_length=5, choices=SlipKind, default=SlipKind.LATE)
    noticed_at = models.DateTimeField()
    chance = models.FloatField(help_text="Of being kept, when it was noticed.")
    savers = models.JSONField(default=list, help_text="What would save it: words, and the chance then.")
    why = models.TextField(
        blank=True, help_text="Why the job cannot be done, and what would make it possible."
    )
    cleared_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-noticed_at", "-pk"]
        constraints = [
            models.UniqueConstraint(
                "promise", "kind", name="slip_open_once", condition=models.Q(cleared_at=None)
            )
        ]

    def __str__(self) -> str:
        return f"{self.promise}, noticed {self.noticed_at:%Y-%m-%d %H:%M}"


class ListenerKind(models.TextChoices):
    """How somebody is told."""

    EMAIL = "email", "By e-mail"
    WEBHOOK = "webhook", "By a signed message to an address"


class Listener(ShopOwned):
    """Somebody who asked to be told of slipping dates."""

    kind = models.CharField(max_length=7, choices=ListenerKind)
    email = models.EmailField(blank=True)
    url = models.URLField(max_length=500, blank=True)
    secret = models.CharField(max_length=64, blank=True, help_text="Signs what is sent to the address.")
    made_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.SET_NULL, related_name="+"
    )
    made_at = models.DateTimeField()
    active = models.BooleanField(default=True)

    class Meta:
        ordering = ["kind", "pk"]

    def __str__(self) -> str:
        return self.email or self.url


class TellingState(models.TextChoices):
    """How far a message is."""

    WAITING = "waiting", "Waits to be sent"
    SENT = "sent", "Sent"
    GIVEN_UP = "given_up", "Given up"


class TellingEvent(models.TextChoices):
    """What of a slip is told."""

    BEGUN = "begun", "That it began"
    OVER = "over", "That it is over"


class Telling(ShopOwned):
    """What one listener is told of one slip: that it began, and of some that it is over; each once."""

    slip = models.ForeignKey(Slip, on_delete=models.CASCADE, related_name="tellings")
    listener = models.ForeignKey(Listener, on_delete=models.CASCADE, related_name="tellings")
    event = models.CharField(max_length=5, choices=TellingEvent, default=TellingEvent.BEGUN)
    state = models.CharField(max_length=8, choices=TellingState, default=TellingState.WAITING)
    tries = models.PositiveSmallIntegerField(default=0)
    next_try_at = models.DateTimeField()
    sent_at = models.DateTimeField(null=True, blank=True)
    error = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["pk"]
        constraints = [models.UniqueConstraint("slip", "listener", "event", name="told_once")]

    def __str__(self) -> str:
        return f"{self.slip} to {self.listener}"
