"""Pages on which a log of stage times is brought in: chosen, looked at, brought in by a worker."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.files.uploadedfile import UploadedFile
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils.crypto import salted_hmac
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from jobs.importing.preview import known_drivers, problem_rows
from jobs.importing.uploads import LARGEST, MOST_ROWS
from jobs.models import DraftState, ImportDraft
from jobs.selectors.jobs import plain_cell
from jobs.services.importing import (
    draft_discard,
    draft_make,
    draft_read_as,
    draft_understood,
    draft_want,
)
from jobs.services.taking_back import BACKABLE, MOST_NAMED, import_take_back, is_marked, taking_foreseen
from jobs.tasks import enqueue_bring_in, enqueue_take_back
from jobs.views.common import csv_answer, user_of
from jobs.words.importing import Column, column_choices, made_lines, steps_of
from shop.errors import BadInput, ShopError
from shop.models import Role
from shop.permissions import ShopRequest, for_role
from shop.views.page import page

LISTED = 20
OPEN = (DraftState.PREVIEW, DraftState.FAILED)
UNDER_WAY = (DraftState.WANTED, DraftState.RUNNING, DraftState.TAKING)


@require_http_methods(["GET", "POST"])
@for_role(Role.PLANNER)
def imports(request: ShopRequest) -> HttpResponse:
    """Choose a file; below, those chosen before."""
    problem = ""
    if request.method == "POST":
        try:
            draft = draft_make(request.shop, user_of(request), *_uploaded(request))
            return redirect("jobs:import", draft_id=draft.pk)
        except BadInput as bad:
            problem = bad.message
    drafts = ImportDraft.objects.of(request.shop).select_related("made_by").defer("content", "columns")
    context = {
        "problem": problem,
        "drafts": drafts[:LISTED],
        "most_mb": LARGEST // 1024**2,
        "most_rows": MOST_ROWS,
    }
    return page(request, "jobs/imports.html", context, 422 if problem else 200)


@require_GET
@for_role(Role.PLANNER)
def import_page(request: ShopRequest, draft_id: int) -> HttpResponse:
    """One file: what it would make, how far it is, or what was made; with X-Part only the part that moves."""
    draft = _draft(request, draft_id)
    tag = f'"{salted_hmac("import", f"{draft.pk} {draft.state} {draft.step}").hexdigest()[:16]}"'
    headers = {"ETag": tag, "Cache-Control": "private, no-cache", "Vary": "Cookie, X-Part"}
    part = "X-Part" in request.headers
    if part and request.headers.get("If-None-Match") == tag:
        return HttpResponse(status=304, headers=headers)
    answer = page(
        request, "jobs/_import.html" if part else "jobs/import.html", {**_context(draft), "tag": tag}
    )
    for name, value in headers.items():
        answer[name] = value
    return answer


@require_POST
@for_role(Role.PLANNER)
def import_columns(request: ShopRequest, draft_id: int) -> HttpResponse:
    """Read the file's columns as was chosen."""
    draft = _draft(request, draft_id)
    chosen = {label: request.POST.get(f"column-{i}", "") for i, label in enumerate(_labels(draft))}
    try:
        draft_read_as(draft, chosen, request.POST.get("dates", draft.dates))
    except ShopError as refused:
        messages.error(request, refused.message)
    return redirect("jobs:import", draft_id=draft_id)


@require_POST
@for_role(Role.PLANNER)
def import_start(request: ShopRequest, draft_id: int) -> HttpResponse:
    """Have the file brought in."""
    try:
        draft_want(_draft(request, draft_id))
        enqueue_bring_in(draft_id)
    except ShopError as refused:
        messages.error(request, refused.message)
    return redirect("jobs:import", draft_id=draft_id)


@require_POST
@for_role(Role.PLANNER)
def import_discard(request: ShopRequest, draft_id: int) -> HttpResponse:
    """Throw the file away."""
    draft = _draft(request, draft_id)
    try:
        draft_discard(draft)
        messages.success(request, f"{draft.name} is thrown away. Nothing of it was brought in.")
    except ShopError as refused:
        messages.error(request, refused.message)
    return redirect("jobs:imports")


@require_http_methods(["GET", "POST"])
@for_role(Role.PLANNER)
def import_back(request: ShopRequest, draft_id: int) -> HttpResponse:
    """Say what would go and what would stay; then have the import taken back."""
    draft = _draft(request, draft_id)
    if request.method == "POST":
        try:
            import_take_back(draft, user_of(request))
            enqueue_take_back(draft_id)
        except ShopError as refused:
            messages.error(request, refused.message)
        return redirect("jobs:import", draft_id=draft_id)
    if draft.state not in BACKABLE or not is_marked(draft):
        return redirect("jobs:import", draft_id=draft_id)
    seen = taking_foreseen(draft)
    context = {
        "draft": draft,
        "seen": seen,
        "kept": seen.kept[:MOST_NAMED],
        "more": len(seen.kept) - MOST_NAMED,
    }
    return page(request, "jobs/import_back.html", context)


@require_GET
@for_role(Role.PLANNER)
def import_problems(request: ShopRequest, draft_id: int) -> HttpResponse:
    """All that is wrong with the file's rows, for a spreadsheet."""
    try:
        seen = draft_understood(_draft(request, draft_id))
    except BadInput as bad:
        messages.error(request, bad.message)
        return redirect("jobs:import", draft_id=draft_id)
    rows = problem_rows(seen.problems if seen else [])
    return csv_answer("wrong-rows.csv", ([plain_cell(cell) for cell in row] for row in rows))


def _draft(request: ShopRequest, draft_id: int) -> ImportDraft:
    return get_object_or_404(ImportDraft.objects.of(request.shop).select_related("shop"), pk=draft_id)


def _uploaded(request: ShopRequest) -> tuple[str, bytes]:
    """Name and content of the file sent. Raises BadInput."""
    file = request.FILES.get("file")
    if not isinstance(file, UploadedFile):
        raise BadInput("Choose a file: CSV, XLSX or XES.", field="file")
    if (file.size or 0) > LARGEST:
        raise BadInput(
            f"{file.name} has {(file.size or 0) / 1e6:,.0f} MB, and a page takes {LARGEST // 1024**2} MB. Split it, or "
            "bring it in with the command `manage.py import_timings FILE`.",
            field="file",
        )
    return file.name or "file", file.read()


def _labels(draft: ImportDraft) -> list[str]:
    return [label for label, _ in draft.result.get("columns", [])]


def _context(draft: ImportDraft) -> dict[str, Any]:
    shown = draft.result
    context: dict[str, Any] = {
        "draft": draft,
        "shown": shown,
        "under_way": draft.state in UNDER_WAY,
        "has_content": bool(draft.content),
        "steps": steps_of(draft),
        "made": made_lines(shown.get("written", shown).get("made", [])),
        "unmade": made_lines(shown.get("taken", {}).get("words", [])),
        "can_go_back": draft.state in BACKABLE and is_marked(draft),
    }
    if draft.content and draft.state in OPEN:
        choices = column_choices(known_drivers(draft.shop))
        context["columns"] = [
            Column(i, label, examples, draft.columns.get(label, ""), choices)
            for i, (label, examples) in enumerate(shown["columns"])
        ]
    return context
