"""The API's edge over the ways of making a job."""

from __future__ import annotations

from typing import Any

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from analytics.services.choices import is_open, jobs_to_ask, options_of
from analytics.services.choices_ways import ways_of
from analytics.services.promising import now_to_the_minute
from jobs.api.views import PROBLEM, shop_of
from shop.errors import ShopError


class TimesOut(serializers.Serializer[Any]):
    """Minutes that half, and eight in ten, of the futures stay within."""

    p50 = serializers.FloatField(source="half")
    p80 = serializers.FloatField(source="most")


class WayOut(serializers.Serializer[Any]):
    """A way that the job could be made."""

    process = serializers.CharField(source="recipe.process.name")
    finish = serializers.CharField(source="recipe.finish.name", allow_null=True, default=None)
    gloss_layer = serializers.BooleanField(source="recipe.gloss", help_text="Printed over everything.")
    present = serializers.BooleanField(source="is_present", help_text="The job is made so as it stands.")
    promise_at = serializers.DateTimeField(source="promised_at", help_text="At the shop's confidence.")
    futures = serializers.ListField(
        child=serializers.DateTimeField(), help_text="Twenty equally likely finishes, rising."
    )
    sooner_share = serializers.FloatField(
        source="sooner", help_text="Share of futures in which it is sooner."
    )
    later_share = serializers.FloatField(source="later", help_text="Share of futures in which it is later.")
    sooner_min = serializers.FloatField(source="gain", help_text="Mean minutes sooner; negative: later.")
    hands_on_min = TimesOut(source="hands_on", help_text="Of all the people at it.")
    machine_min = TimesOut(source="machine", help_text="Of machines running alone.")
    film_m = serializers.FloatField(source="materials.film_m", allow_null=True)
    ink_ml = serializers.FloatField(source="materials.ink_ml")
    cost = serializers.FloatField(source="materials.cost", allow_null=True, help_text="Null without prices.")
    cost_without = serializers.ListField(
        source="materials.unpriced",
        child=serializers.CharField(),
        help_text="What it takes that has no price.",
    )
    unsuited = serializers.CharField(allow_blank=True, help_text="Why it does not suit the work.")
    cautions = serializers.ListField(child=serializers.CharField(), help_text="Common practice.")


class NoWayOut(serializers.Serializer[Any]):
    """A way that cannot be gone."""

    process = serializers.CharField(source="recipe.process.name")
    finish = serializers.CharField(source="recipe.finish.name", allow_null=True, default=None)
    gloss_layer = serializers.BooleanField(source="recipe.gloss")
    why = serializers.CharField()


class WaysOut(serializers.Serializer[Any]):
    """The ways of making a job, the soonest first, on the same futures."""

    number = serializers.IntegerField(source="options.job.number")
    at = serializers.DateTimeField(source="options.book.origin", help_text="When it was worked out.")
    confidence = serializers.FloatField(source="options.confidence")
    ways = WayOut(many=True)
    cannot = NoWayOut(many=True)


class JobWaysView(APIView):
    """The ways of making a job."""

    @extend_schema(responses={200: WaysOut, **PROBLEM}, operation_id="jobs_ways_retrieve")
    def get(self, request: Request, number: int) -> Response:
        """Each process and finish that could do the job, side by side; for a job that is not finished."""
        shop = shop_of(request)
        job = get_object_or_404(jobs_to_ask(shop), number=number)
        if not is_open(job):
            raise ShopError(
                f"Job {number} is {job.get_status_display().lower()}; there is nothing left to choose."
            )
        return Response(WaysOut(ways_of(options_of(shop, job, now=now_to_the_minute()))).data)
