"""The API's edge over a job's date."""

from __future__ import annotations

from typing import Any

from django.shortcuts import get_object_or_404
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from analytics.services.choices import is_open, jobs_to_ask
from analytics.services.promising import now_to_the_minute, promise_compute
from analytics.services.quotes import outlook_json
from analytics.services.running_totals import BUDGET, EXACTLY, FINEST, Wish, for_seconds
from jobs.api.views import PROBLEM, shop_of
from shop.errors import BadInput, ShopError


class PromisedOut(serializers.Serializer[Any]):
    """A date and how often it is to be kept."""

    at = serializers.DateTimeField()
    confidence = serializers.FloatField()


class PromiseOut(serializers.Serializer[Any]):
    """When a job would be finished, as `manage.py promise --json` prints it of a quote."""

    finish = serializers.DictField(
        child=serializers.DateTimeField(), help_text="Confidence to instant, each read off at its own level."
    )
    promise = PromisedOut(help_text="Rounded up to the next half hour.")
    made_at = serializers.DateTimeField(help_text="The minute that it was worked out for.")
    runs = serializers.IntegerField(help_text="Futures that it rests on.")
    error_min = serializers.FloatField(
        allow_null=True, help_text="Half the width of the date's 95 % interval, in working minutes."
    )
    later_work = serializers.CharField(help_text="What is assumed of work to come.")
    breaks = serializers.CharField(allow_blank=True, help_text="Which breaks are reckoned with.")
    backlog_digest = serializers.CharField(help_text="SHA-256 of all that the futures hang on.")


class JobPromiseView(APIView):
    """A job's date."""

    @extend_schema(
        parameters=[
            OpenApiParameter("confidence", float, description="Between 0 and 1; the shop's without it."),
            OpenApiParameter(
                "within", float, description="Working minutes to which it is to be known if the time allows."
            ),
        ],
        responses={200: PromiseOut, **PROBLEM},
        operation_id="jobs_promise_retrieve",
    )
    def get(self, request: Request, number: int) -> Response:
        """The date that the job's page shows in the same minute, and how exact it is; nothing is promised by it."""
        shop = shop_of(request)
        job = get_object_or_404(jobs_to_ask(shop), number=number)
        if not is_open(job):
            raise ShopError(
                f"Job {number} is {job.get_status_display().lower()}; there is nothing to promise."
            )
        confidence, within = (_number(request, name) for name in ("confidence", "within"))
        wish = Wish(go_on=for_seconds(BUDGET))
        if within is not None:
            wish = Wish(within=within, most=FINEST, go_on=for_seconds(EXACTLY))
        outlook = promise_compute(
            shop, job, now=now_to_the_minute(), confidence=confidence, wish=wish, kept=True
        )
        found = {
            **outlook_json(shop, outlook),
            "finish": {f"{p:g}": at for p, at in outlook.dates.items()},
            "promise": {"at": outlook.promised_at, "confidence": outlook.confidence},
            "made_at": outlook.made_at,
        }
        return Response(PromiseOut(found).data)


def _number(request: Request, name: str) -> float | None:
    text = request.query_params.get(name)
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0 < value < 1e6:
        raise BadInput(f"{name} is {text!r}. Give a number above 0.", field=name)
    return value
