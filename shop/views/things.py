"""The pages of whatever the shop lists: people, skills, machines, processes, finishes, films."""

from __future__ import annotations

from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from shop.errors import ShopError
from shop.forms.listed import posted_fields
from shop.models import Role, Shop
from shop.permissions import ShopRequest, for_role
from shop.services.rows import Listed, row_remove, row_restore
from shop.things import Things
from shop.views.page import offer_undo, page


@require_GET
@for_role(Role.PLANNER)
def things_list(request: ShopRequest, things: Things) -> HttpResponse:
    """The rows in use, and those no longer."""
    rows = [(row, things.describe(row, request.shop)) for row in things.rows(request.shop)]
    context = {
        "things": things,
        "rows": [(row, said) for row, said in rows if getattr(row, "active", True)],
        "retired": [(row, said) for row, said in rows if not getattr(row, "active", True)],
        "may_write": request.membership.may(things.writer),
    }
    return page(request, "shop/things.html", context)


@require_http_methods(["GET", "POST"])
@for_role(Role.PLANNER)
def thing_edit(request: ShopRequest, things: Things, row_id: int | None = None) -> HttpResponse:
    """Make a row, or change one."""
    _check_writer(request, things)
    row = _row(request.shop, things, row_id) if row_id else None
    form = things.form(request.POST if request.method == "POST" else None, shop=request.shop, row=row)
    if form.is_valid() and (saved := form.save()):
        messages.success(request, f"{saved.name} is saved.")
        return redirect("shop:things", things=things)
    # The form has written what was typed into the row; the heading keeps its stored name.
    title = _row(request.shop, things, row_id).name if row_id else f"New {things.one}"
    context = {"things": things, "form": form, "row": row, "title": title}
    return page(request, "shop/thing.html", context, 422 if form.errors else 200)


@require_POST
@for_role(Role.PLANNER)
def thing_remove(request: ShopRequest, things: Things, row_id: int) -> HttpResponse:
    """Delete a row that nothing uses, retire one that something does; either can be undone."""
    _check_writer(request, things)
    row = _row(request.shop, things, row_id)
    fields = posted_fields(things.form(shop=request.shop, row=row))
    try:
        deleted = row_remove(row)
    except ShopError as refused:
        messages.error(request, refused.message)
        return redirect("shop:things", things=things)
    if deleted:
        offer_undo(request, f"{row.name} is removed.", reverse("shop:thing-new", args=[things]), fields)
    else:
        said = f"{row.name} is in use on record, so it is kept there and offered no more."
        offer_undo(request, said, reverse("shop:thing-restore", args=[things, row_id]))
    return redirect("shop:things", things=things)


@require_POST
@for_role(Role.PLANNER)
def thing_restore(request: ShopRequest, things: Things, row_id: int) -> HttpResponse:
    """Take a retired row back into use."""
    _check_writer(request, things)
    row = _row(request.shop, things, row_id)
    if things.retirable:
        row_restore(row)  # type: ignore[arg-type]
        messages.success(request, f"{row.name} is in use again.")
    return redirect("shop:things", things=things)


def _row(shop: Shop, things: Things, row_id: int | None) -> Listed:
    return get_object_or_404(things.model.objects.of(shop), pk=row_id)  # type: ignore[return-value]


def _check_writer(request: ShopRequest, things: Things) -> None:
    if not request.membership.may(things.writer):
        raise PermissionDenied(f"Only the {things.writer.label.lower()} changes {things.many.lower()}.")
