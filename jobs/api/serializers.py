"""What the API reads and writes. Instants are ISO 8601 UTC."""

from __future__ import annotations

from datetime import timedelta
from typing import Any
from uuid import UUID

from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from jobs.drivers import PLANNED
from jobs.models import Item, Job, Stage, TapKind
from jobs.services.tap_checks import LONGEST_NOTE, MOST_SCRAPPED
from jobs.services.taps import MOST, PRESSED, Tap, TapResult


def key_field(**more: Any) -> serializers.IntegerField:
    """A row's key: no larger than a database holds."""
    return serializers.IntegerField(min_value=1, max_value=2**63 - 1, **more)


class TapIn(serializers.Serializer[Any]):
    """One press on the stopwatch."""

    id = serializers.UUIDField(help_text="Made by the client; the same id again is the same tap.")
    kind = serializers.ChoiceField(choices=[(k.value, k.label) for k in TapKind if k.value in PRESSED])
    stage = key_field()
    at = serializers.DateTimeField(help_text="By the device's own clock, with an offset.")
    to_stage = key_field(
        required=False, allow_null=True, help_text="Of 'next': what it starts. Of 'again': from where on."
    )
    person = key_field(required=False, allow_null=True)
    machine = key_field(required=False, allow_null=True)
    cause = key_field(required=False, allow_null=True, help_text="Of 'pause' and 'again'.")
    corrects = serializers.UUIDField(
        required=False, allow_null=True, help_text="Of 'void': what it takes back."
    )
    element = key_field(
        required=False, allow_null=True, help_text="That ended, with 'lap', 'next', 'aside' or 'finish'."
    )
    scrapped = serializers.IntegerField(
        required=False, allow_null=True, min_value=0, max_value=MOST_SCRAPPED, help_text="Of 'again': pieces."
    )
    wasted_m = serializers.FloatField(
        required=False, allow_null=True, min_value=0, help_text="Of 'again': film, m of roll."
    )
    offset_ms = serializers.IntegerField(
        required=False, allow_null=True, min_value=-(10**14), max_value=10**14,
        help_text="How far the device's clock was behind the server's when it was pressed; empty: as at sending.",
    )  # fmt: skip
    name_unproven = serializers.BooleanField(
        required=False, help_text="The person was chosen on a shared tablet without their PIN."
    )
    note = serializers.CharField(required=False, allow_blank=True, max_length=LONGEST_NOTE)

    def tap(self, sent: dict[str, Any]) -> Tap:
        """The tap as the service reads it. Raises ValidationError by name of what makes no sense."""
        given = dict(self.run_validation(sent))
        offset_ms = given.pop("offset_ms", None)
        return Tap(**given, offset=None if offset_ms is None else timedelta(milliseconds=offset_ms))


@extend_schema_field(TapIn(many=True))
class TapList(serializers.ListField):
    """Taps as they were sent, each still to be read."""

    child = serializers.DictField()


class TapsIn(serializers.Serializer[Any]):
    """A sending of taps."""

    sent_at = serializers.DateTimeField(help_text="What the device's clock says on sending.")
    device = serializers.CharField(required=False, allow_blank=True, max_length=64)
    shop = serializers.IntegerField(
        required=False,
        help_text="The shop that the device's queue belongs to; 403 where the log-in is another's.",
    )
    taps = TapList(allow_empty=False, max_length=MOST)

    def read(self) -> tuple[list[Tap], list[TapResult]]:
        """The taps as the service reads them, and the results of those that make no sense.

        One tap that makes no sense does not hold up the others. Raises ValidationError where one has no id, since
        nothing could be answered for it.
        """
        taps, refused = [], []
        reader = TapIn()  # one for all: making its fields takes longer than reading a tap
        for place, given in enumerate(self.validated_data["taps"]):
            try:
                taps.append(reader.tap(given))
            except serializers.ValidationError as error:
                wrong: Any = error.detail
                if "id" in wrong:
                    raise serializers.ValidationError({"taps": {str(place): wrong}}) from error
                why = " ".join(f"{name}: {' '.join(texts)}" for name, texts in wrong.items())
                key: UUID = reader.fields["id"].run_validation(given["id"])
                refused.append(TapResult(key, "refused", why))
        return taps, refused


class ProblemOut(serializers.Serializer[Any]):
    """An RFC 9457 problem."""

    type = serializers.CharField()
    title = serializers.CharField()
    status = serializers.IntegerField()
    detail = serializers.CharField()


class TapProblemOut(serializers.Serializer[Any]):
    """Why a tap was refused."""

    title = serializers.CharField()
    detail = serializers.CharField()


class TapResultOut(serializers.Serializer[Any]):
    """What became of a tap."""

    id = serializers.UUIDField()
    status = serializers.ChoiceField(choices=["stored", "known", "refused"])
    problem = TapProblemOut(required=False)


class StageOut(serializers.ModelSerializer[Stage]):
    """A stage as the clock has it."""

    job = serializers.IntegerField(source="job.number")

    class Meta:
        model = Stage
        fields = ["id", "job", "name", "state", "left_out", "started_at", "finished_at"]


class StageDetailOut(StageOut):
    """A stage of one job, with somebody's own estimate of it."""

    planned_min = serializers.FloatField(
        source=f"drivers.{PLANNED}", default=None, help_text="Somebody's own estimate, minutes."
    )

    class Meta(StageOut.Meta):
        fields = [*StageOut.Meta.fields, "planned_min"]


class EstimateIn(serializers.Serializer[Any]):
    """Somebody's own estimate of a stage."""

    minutes = serializers.FloatField()


class ClashOut(serializers.Serializer[Any]):
    """A machine that is clocked on more stages than it takes."""

    machine = serializers.IntegerField(source="machine.pk")
    name = serializers.CharField(source="machine.name")
    stages = StageOut(many=True)


class TapsOut(serializers.Serializer[Any]):
    """What became of a sending."""

    received_at = serializers.DateTimeField()
    offset_ms = serializers.IntegerField(help_text="How far the device's clock was behind the server's.")
    revision = serializers.IntegerField(help_text="The shop's revision afterwards.")
    results = TapResultOut(many=True)
    stages = StageOut(many=True, help_text="Those that the taps touched, as they are now.")
    clashes = ClashOut(many=True, help_text="Shown to the person: one of these stages was not stopped.")


class ItemOut(serializers.ModelSerializer[Item]):
    """One graphic of a job."""

    class Meta:
        model = Item
        fields = ["name", "width_mm", "height_mm", "count", "cut_m", "letter_mm", "ink_build"]


class JobOut(serializers.ModelSerializer[Job]):
    """A job."""

    job_type = serializers.CharField(source="job_type.name")
    customer = serializers.CharField(source="customer.name", default=None)

    class Meta:
        model = Job
        fields = [
            "number", "title", "customer", "job_type", "status", "ready_from", "due_at", "started_at", "finished_at",
        ]  # fmt: skip


class JobDetailOut(JobOut):
    """A job with its items and stages."""

    items = ItemOut(many=True)
    stages = StageDetailOut(many=True)

    class Meta(JobOut.Meta):
        fields = [*JobOut.Meta.fields, "items", "stages"]
