"""The API's edges over forecasts."""

from __future__ import annotations

from typing import Any

from django.shortcuts import get_object_or_404
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from analytics.selectors.job_forecast import job_forecast, jobs_to_forecast
from jobs.api.views import PROBLEM, shop_of
from jobs.models import StageState


class SpreadOut(serializers.Serializer[Any]):
    """Minutes that one, five, eight and nine in ten stay within."""

    p10 = serializers.FloatField()
    p50 = serializers.FloatField()
    p80 = serializers.FloatField()
    p90 = serializers.FloatField()


class StageForecastOut(serializers.Serializer[Any]):
    """A kept stage."""

    id = serializers.IntegerField(source="stage.pk")
    name = serializers.CharField(source="stage.name")
    kind = serializers.CharField(source="stage.kind.key")
    state = serializers.ChoiceField(StageState.choices, source="stage.state")
    is_hold = serializers.BooleanField(help_text="Nobody is needed; its minutes are elapsed ones.")
    clocked_min = serializers.FloatField(source="clocked")
    forecast_min = SpreadOut(
        source="forecast", allow_null=True, help_text="Of all of it, before it began; null once finished."
    )
    left_min = SpreadOut(source="left", allow_null=True, help_text="Of what is left; null once finished.")
    fell = serializers.FloatField(
        allow_null=True, help_text="Where a finished one fell in the forecast before it, 0 to 1."
    )
    planned_min = serializers.FloatField(
        source="planned", allow_null=True, help_text="Somebody's own estimate."
    )
    records = serializers.IntegerField(
        source="counts.n", help_text="Finished stages of the kind learned from."
    )
    records_of_type = serializers.IntegerField(source="counts.of_type", help_text="Of them in this job type.")
    is_default = serializers.BooleanField(help_text="The trade default alone speaks.")


class JobForecastOut(serializers.Serializer[Any]):
    """A job's forecast: what is left of it, without holds, and each stage."""

    number = serializers.IntegerField(source="job.number")
    at = serializers.DateTimeField(help_text="When it was made.")
    clocked_min = serializers.FloatField(source="clocked")
    left_hands_on_min = SpreadOut(source="hands_on")
    left_machine_min = SpreadOut(source="machine", help_text="Of machines running alone.")
    left_min = SpreadOut(source="work", help_text="Both together.")
    stages = StageForecastOut(many=True, source="rows")


class JobForecastView(APIView):
    """A job's forecast."""

    @extend_schema(responses={200: JobForecastOut, **PROBLEM}, operation_id="jobs_forecast_retrieve")
    def get(self, request: Request, number: int) -> Response:
        """Each stage with what was clocked and what is left, in minutes."""
        job = get_object_or_404(jobs_to_forecast(shop_of(request)), number=number)
        return Response(JobForecastOut(job_forecast(job, timezone.now())).data)
