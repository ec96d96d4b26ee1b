"""The API's edges: each a thin one over a named function."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django.shortcuts import get_object_or_404
from django.utils import timezone
from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework import generics
from rest_framework.exceptions import PermissionDenied
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from jobs.api.serializers import (
    ClashOut,
    EstimateIn,
    JobDetailOut,
    JobOut,
    ProblemOut,
    StageDetailOut,
    StageOut,
    TapsIn,
    TapsOut,
)
from jobs.models import Job, Stage, StageState
from jobs.selectors.jobs import job_search, with_stages
from jobs.services.estimates import estimate_remove, estimate_set
from jobs.services.taps import TapsOutcome, record_taps
from shop.models import Role, Shop, User

PROBLEM = {
    (status, "application/problem+json"): OpenApiResponse(ProblemOut, description=why)
    for status, why in (
        (400, "What was sent makes no sense."),
        (403, "The log-in may not."),
        (404, "Not found."),
    )
}


def shop_of(request: Request) -> Shop:
    """The shop of the log-in; the permission has seen to it that there is one."""
    shop: Shop = request._request.shop  # type: ignore[attr-defined]
    return shop


def user_of(request: Request) -> User | None:
    """Who is logged in."""
    return request.user if isinstance(request.user, User) else None


class Taps(APIView):
    """Press the stopwatch."""

    @extend_schema(request=TapsIn, responses={200: TapsOut, **PROBLEM}, operation_id="taps_create")
    def post(self, request: Request) -> Response:
        """Store taps. Send again whatever was not answered: a tap counts once."""
        received_at = timezone.now()
        sending = TapsIn(data=request.data)
        sending.is_valid(raise_exception=True)
        if sending.validated_data.get("shop", shop_of(request).pk) != shop_of(request).pk:
            raise PermissionDenied("These taps are another shop's. Log in to that shop to send them.")
        taps, refused = sending.read()
        outcome = record_taps(
            shop=shop_of(request),
            user=user_of(request),
            taps=taps,
            sent_at=sending.validated_data["sent_at"],
            received_at=received_at,
            device=sending.validated_data.get("device", ""),
        )
        outcome.results.extend(refused)
        return Response(taps_json(outcome))


def taps_json(outcome: TapsOutcome) -> dict[str, Any]:
    """An outcome as `TapsOut`."""
    return {
        "received_at": outcome.received_at.isoformat().replace("+00:00", "Z"),
        "offset_ms": round(outcome.offset.total_seconds() * 1000),
        "revision": outcome.revision,
        "results": [
            {
                "id": str(one.id),
                "status": one.status,
                **(
                    {"problem": {"title": "This tap was refused", "detail": one.problem}}
                    if one.problem
                    else {}
                ),
            }
            for one in outcome.results
        ],
        "stages": StageOut(outcome.stages, many=True).data,
        "clashes": ClashOut(outcome.clashes, many=True).data,
    }


@extend_schema(responses={200: JobOut(many=True), **PROBLEM})
class Jobs(generics.ListAPIView[Job]):
    """The shop's open jobs by due date (`status`: open, all, or one of the states)."""

    serializer_class = JobOut

    def get_queryset(self) -> QuerySet[Job]:
        """The jobs asked for."""
        if getattr(self, "swagger_fake_view", False):
            return Job.objects.none()
        asked = self.request.query_params
        jobs = job_search(shop_of(self.request), status=asked.get("status", "open"), q=asked.get("q", ""))
        return jobs.select_related("customer", "job_type")


@extend_schema(responses={200: JobDetailOut, **PROBLEM})
class JobDetail(generics.RetrieveAPIView[Job]):
    """One job with its items and stages."""

    serializer_class = JobDetailOut
    lookup_field = "number"

    def get_queryset(self) -> QuerySet[Job]:
        """The shop's jobs."""
        if getattr(self, "swagger_fake_view", False):
            return Job.objects.none()
        return with_stages(Job.objects.of(shop_of(self.request))).prefetch_related("items")


class StageEstimate(APIView):
    """Somebody's own estimate of a stage."""

    write_role = Role.PLANNER

    @extend_schema(request=EstimateIn, responses={200: StageDetailOut, **PROBLEM})
    def put(self, request: Request, number: int, stage_id: int) -> Response:
        """Keep an estimate, in minutes, instead of the one before; refused once the stage is finished."""
        stage = self._stage(request, number, stage_id)
        sent = EstimateIn(data=request.data)
        sent.is_valid(raise_exception=True)
        return Response(StageDetailOut(estimate_set(stage, sent.validated_data["minutes"])).data)

    @extend_schema(request=None, responses={200: StageDetailOut, **PROBLEM})
    def delete(self, request: Request, number: int, stage_id: int) -> Response:
        """Take an estimate back."""
        return Response(StageDetailOut(estimate_remove(self._stage(request, number, stage_id))).data)

    def _stage(self, request: Request, number: int, stage_id: int) -> Stage:
        stages = Stage.objects.of(shop_of(request)).select_related("shop")
        return get_object_or_404(stages, pk=stage_id, job__number=number)


@extend_schema(responses={200: StageOut(many=True), **PROBLEM})
class RunningStages(generics.ListAPIView[Stage]):
    """What runs or is paused now."""

    serializer_class = StageOut

    def get_queryset(self) -> QuerySet[Stage]:
        """The begun stages, the latest first."""
        if getattr(self, "swagger_fake_view", False):
            return Stage.objects.none()
        begun = Stage.objects.of(shop_of(self.request)).filter(
            state__in=(StageState.RUNNING, StageState.PAUSED)
        )
        return begun.select_related("job").order_by("-started_at", "pk")
