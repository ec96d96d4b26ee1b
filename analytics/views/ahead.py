"""Pages of the days ahead: the picture, what a move would do, and the move."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from typing import Any

from django.contrib import messages
from django.http import HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.dateparse import parse_datetime
from django.views.decorators.http import require_GET, require_POST

from analytics.engine.hours import to_minutes
from analytics.engine.turns import SNAP, snapped
from analytics.pictures.ahead import ZOOM, AheadPicture, Axis, Piece, ahead_picture, folded_axis
from analytics.selectors.ahead import Ahead, Lane, OnLane, StageAhead, ahead_kept
from analytics.selectors.moves import Tried, move_of, tried
from analytics.selectors.outlooks import outlooks_stamp
from analytics.services.promising import now_to_the_minute
from analytics.services.turns import Backs, Moved, Turns, moves_do, moves_undo
from analytics.views.fresh import is_part, tag_of, tagged, unchanged
from jobs.views.common import csv_answer, key_typed
from shop.errors import BadInput, ShopError
from shop.models import Role, Shop
from shop.permissions import ShopRequest, for_role
from shop.views.page import offer_undo, page

USUAL_DAYS = 3

LIKELY = 0.4
"""Share of the futures from which on a stage is drawn with somebody though it is likelier with another."""


@require_GET
@for_role(Role.VIEWER)
def ahead(request: ShopRequest) -> HttpResponse:
    """Machines and people over the coming days, what to begin next, and the dates as they stand.

    With X-Part only the part that moves; 304 until the open jobs were worked out anew since it was shown.
    """
    tag = tag_of(request, outlooks_stamp(request.shop), request.GET.urlencode())
    known = unchanged(request, tag)
    if known is not None:
        return known
    part = is_part(request)
    name, status = ("analytics/_ahead.html", 200) if part else ("analytics/ahead.html", 422)
    try:
        found = ahead_kept(request.shop, now_to_the_minute())
    except ShopError as refused:
        return tagged(page(request, name, {"refused": refused, "tag": tag}, status=status), tag)
    return tagged(page(request, name, {**_shown(request.shop, found, request.GET), "tag": tag}), tag)


@require_GET
@for_role(Role.VIEWER)
def ahead_csv(request: ShopRequest) -> HttpResponse:
    """The plan as a file for a spreadsheet: a line for each stage on each machine and person."""
    try:
        found = ahead_kept(request.shop, now_to_the_minute())
    except ShopError as refused:
        messages.error(request, refused.message)
        return redirect("analytics:ahead")
    return csv_answer("days-ahead.csv", _csv_rows(request.shop, found))


@require_POST
@for_role(Role.PLANNER)
def ahead_try(request: ShopRequest) -> HttpResponse:
    """What a move would do to every date; nothing is changed. A part of the page where a script asks (X-Part)."""
    part = bool(request.headers.get("X-Part"))
    try:
        found, effect = _tried(request)
    except ShopError as refused:
        if part:
            return render(request, "analytics/_ahead_try.html", {"refused": refused}, status=422)
        messages.error(request, refused.message)
        return redirect(_back(request))
    if part:
        return render(
            request, "analytics/_ahead_try.html", {"tried": effect, "shop": request.shop, **_days(request)}
        )
    return page(request, "analytics/ahead_try.html", {"tried": effect, "ahead": found, **_days(request)})


@require_POST
@for_role(Role.PLANNER)
def ahead_do(request: ShopRequest) -> HttpResponse:
    """Make the move whose effects were shown, if the work still stands as it did then."""
    now = timezone.now()
    try:
        found, effect = _tried(request)
        revision = key_typed(request.POST.get("revision"))
        turns, pins = moves_do(request.shop, effect.move.turns, effect.move.pins, revision=revision, now=now)
    except Moved as moved:
        messages.warning(request, moved.message)
        return page(
            request,
            "analytics/ahead_try.html",
            {"tried": effect, "ahead": found, **_days(request)},
            status=409,
        )
    except ShopError as refused:
        messages.error(request, refused.message)
        return redirect(_back(request))
    fields = [*_undo_fields("job", effect.move.turns, turns), *_undo_fields("stage", effect.move.pins, pins)]
    offer_undo(request, f"Done: {effect.move.said}.", reverse("analytics:ahead-undo"), fields)
    return redirect(_back(request))


@require_POST
@for_role(Role.PLANNER)
def ahead_undo(request: ShopRequest) -> HttpResponse:
    """Take the last move back: the turns and pins from before it."""
    try:
        turns, pins = _backs(request.POST, "job"), _backs(request.POST, "stage")
        if not turns and not pins:
            raise BadInput("There is nothing to take back.")
        moves_undo(request.shop, turns, pins)
        messages.success(request, "Taken back: the order is as it was before.")
    except ShopError as refused:
        messages.error(request, refused.message)
    return redirect("analytics:ahead")


def _tried(request: ShopRequest) -> tuple[Ahead, Tried]:
    request.shop.refresh_from_db(fields=["revision"])
    found = ahead_kept(request.shop, now_to_the_minute())
    if found is None:
        raise BadInput("No work is open: there is nothing to move.")
    return found, tried(found, move_of(request.shop, found, request.POST.dict(), found.at))


def _iso(at: datetime | None) -> str:
    return "" if at is None else at.isoformat()


def _undo_fields(name: str, given: Turns, before: Turns) -> list[tuple[str, str]]:
    """What takes a move back, as `_backs` reads it: by key what it gave and what was there."""
    rows = [(str(pk), _iso(given[pk]), _iso(at)) for pk, at in before.items()]
    return [pair for row in rows for pair in zip((name, f"{name}_given", f"{name}_before"), row, strict=True)]


def _backs(sent: QueryDict, name: str) -> Backs:
    """Keys of a form, each with the instants that it was given and had before; an empty one is None."""
    columns = (sent.getlist(field) for field in (name, f"{name}_given", f"{name}_before"))
    return {
        key_typed(key): (_instant(given), _instant(before))
        for key, given, before in zip(*columns, strict=False)
    }


def _instant(text: str) -> datetime | None:
    try:
        at = parse_datetime(text) if text else None
    except ValueError:
        at = None
    if text and (at is None or at.tzinfo is None):
        raise BadInput("What is to be taken back cannot be read.")
    return at


def _days_asked(given: QueryDict | Mapping[str, Any]) -> int:
    days = key_typed(str(given.get("days", "")))
    return days if days in ZOOM else USUAL_DAYS


def _days(request: ShopRequest) -> dict[str, Any]:
    return {"days": _days_asked(request.POST)}


def _back(request: ShopRequest) -> str:
    return f"{reverse('analytics:ahead')}?days={_days_asked(request.POST)}"


def _shown(shop: Shop, found: Ahead | None, asked: QueryDict) -> dict[str, Any]:
    """What the page shows."""
    days = _days_asked(asked)
    context: dict[str, Any] = {"ahead": found, "days": days, "zooms": tuple(ZOOM)}
    if found is None:
        return context
    picked = found.stages.get(key_typed(asked.get("stage")))
    axis = folded_axis(found.at, found.hours, shop.zone, days)
    picture = None
    if axis is not None:
        lanes = [
            (lane.key, lane.name, [_piece(one) for one in _drawn(found, lane)], lane.away)
            for lane in found.lanes
        ]
        picture = ahead_picture(axis, lanes)
        context["stop_x"] = _stop_x(found, axis, picked)
    return {
        **context,
        "picture": picture,
        "stages": found.stages,
        "key": _key(found, picture),
        "picked": picked,
        "pin_at": _pin_at(shop, found, picked),
        "warned": _warned(found),
        "endangered": [one for one in found.jobs if one.state not in ("safe", "none")],
    }


def _stop_x(found: Ahead, axis: Axis, picked: StageAhead | None) -> float | None:
    """Where the latest safe start of a stage stands; None where it has none, or it lies beyond the rule."""
    if picked is None or picked.safe is None:
        return None
    minutes = to_minutes(found.at, picked.safe)
    return axis.x(minutes) if minutes <= axis.end else None


def _drawn(found: Ahead, lane: Lane) -> list[OnLane]:
    """What the picture shows on a lane: what is likely there, and what is nowhere likelier. The table has the rest."""
    most: dict[int, float] = {}
    for other in found.lanes:
        for one in other.stages if other.sort == lane.sort else ():
            most[one.stage.stage.pk] = max(one.stay.share, most.get(one.stage.stage.pk, 0.0))
    return [one for one in lane.stages if one.stay.share >= min(LIKELY, most[one.stage.stage.pk] - 1e-9)]


def _warned(found: Ahead) -> set[str]:
    """The lanes, by key, beside which a caution is said: each is said once, with the first to begin such a stage."""
    said: dict[str, str] = {}
    for lane in found.lanes:
        if lane.next:
            said.setdefault(lane.next[0].stage.stage.kind.caution, lane.key)
    return set(said.values())


def _piece(one: OnLane) -> Piece:
    stage = one.stage
    label = f"{stage.code} {stage.job.job.number}{' !' if stage.at_risk else ''}"
    return Piece(stage.stage.pk, label, one.stay)


def _key(found: Ahead, picture: AheadPicture | None) -> list[StageAhead]:
    """One stage of each kind that the picture shows, by the kinds' order."""
    seen = {spindle.key for lane in picture.lanes for spindle in lane.spindles} if picture else set()
    kinds = {found.stages[key].stage.kind_id: found.stages[key] for key in seen}
    return sorted(kinds.values(), key=lambda one: (one.stage.kind.position, one.stage.kind.name))


def _pin_at(shop: Shop, found: Ahead, picked: StageAhead | None) -> str:
    """What the field of a pin begins with, on the shop's clock."""
    if picked is None:
        return ""
    at = snapped(picked.stage.pinned_at or max(picked.start.middle, found.at + SNAP))
    return f"{shop.local(at):%Y-%m-%dT%H:%M}"


def _csv_rows(shop: Shop, found: Ahead | None) -> Iterator[tuple[str, ...]]:
    yield (
        "lane",
        "job",
        "title",
        "stage",
        "chance_of_this_lane",
        *(f"{what}_{when}" for what in ("starts", "ends") for when in ("p10", "p50", "p90")),
        "latest_safe_start",
        "due_at",
        "chance_kept",
    )
    for lane in found.lanes if found is not None else ():
        for one in lane.stages:
            job = one.stage.job
            instants = (
                *(one.start.low, one.start.middle, one.start.high),
                *(one.end.low, one.end.middle, one.end.high),
            )
            safe = "too late" if one.stage.too_late else _utc(one.stage.safe)
            yield (
                lane.name,
                str(job.job.number),
                job.job.title,
                one.stage.stage.name,
                f"{one.stay.share:.2f}",
                *(_utc(at) for at in instants),
                safe,
                _utc(job.job.due_at),
                "" if job.chance is None else f"{job.chance:.3f}",
            )


def _utc(at: datetime | None) -> str:
    return "" if at is None else f"{at.astimezone(UTC):%Y-%m-%dT%H:%MZ}"
