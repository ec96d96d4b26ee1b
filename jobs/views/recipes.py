"""Pages of recipes: look them up, keep one, show one no longer."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from jobs.forms.recipes import RecipeFilter, RecipeForm, initial_of
from jobs.models import Job
from jobs.selectors.recipes import job_builds, recipe_csv_rows, recipe_search
from jobs.services.recipes import recipe_retire
from jobs.views.common import csv_answer, current_person, key_typed, user_of
from shop.models import Media, Recipe, Role
from shop.permissions import ShopRequest, for_role
from shop.views.page import offer_undo, page

PER_PAGE = 50


@require_GET
@for_role(Role.MAKER)
def recipes(request: ShopRequest) -> HttpResponse:
    """What was set before, and how it did; the latest first."""
    asked = RecipeFilter(request.GET, shop=request.shop)
    words = asked.asked()
    part = Paginator(recipe_search(request.shop, **words), PER_PAGE).get_page(request.GET.get("page"))
    query = request.GET.copy()
    query.pop("page", None)
    context = {
        "filter": asked,
        "narrowed": bool(words),
        "chosen": bool(set(words) - {"q"}),
        "page": part,
        "query": query.urlencode(),
        "any_films": Media.objects.of(request.shop).filter(active=True).exists(),
    }
    return page(request, "jobs/recipes.html", context)


@require_GET
@for_role(Role.MAKER)
def recipes_csv(request: ShopRequest) -> HttpResponse:
    """The same list as a file for a spreadsheet."""
    asked = RecipeFilter(request.GET, shop=request.shop).asked()
    return csv_answer("recipes.csv", recipe_csv_rows(recipe_search(request.shop, **asked)))


@require_http_methods(["GET", "POST"])
@for_role(Role.MAKER)
def recipe_new(request: ShopRequest) -> HttpResponse:
    """Keep a recipe, begun from another one (`like`) or from what a job is made of (`job`)."""
    initial = _initial(request)
    form = RecipeForm(request.POST if request.method == "POST" else None, shop=request.shop, initial=initial)
    if form.is_valid():
        saved = form.save(user=user_of(request), person=current_person(request), at=timezone.now())
        if saved is not None:
            messages.success(request, f"Kept: {saved}.")
            number = saved.job_number
            back = request.POST.get("back") == "job" and number
            return redirect(reverse("jobs:job", args=[number]) + "#recipes" if back else "jobs:recipes")
    context = {"form": form, "back": "job" if request.GET.get("job") else request.POST.get("back", "")}
    return page(request, "jobs/recipe.html", context, 422 if form.errors else 200)


@require_POST
@for_role(Role.MAKER)
def recipe_retire_press(request: ShopRequest, recipe_id: int) -> HttpResponse:
    """Show a recipe no longer where its film comes up, or again."""
    rows = Recipe.objects.of(request.shop).select_related("media", "machine")
    row = recipe_retire(get_object_or_404(rows, pk=recipe_id), active=request.POST.get("active") == "1")
    if row.active:
        messages.success(request, f"{row}: in use again.")
    else:
        url = reverse("jobs:recipe-retire", args=[recipe_id])
        offer_undo(request, f"{row}: shown no longer.", url, [("active", "1")])
    return redirect("jobs:recipes")


def _initial(request: ShopRequest) -> dict[str, Any]:
    """What the form begins with."""
    number = key_typed(request.GET.get("job"))
    job = Job.objects.of(request.shop).filter(number=number).first() if number else None
    key = key_typed(request.GET.get("like"))
    like = Recipe.objects.of(request.shop).filter(pk=key).first() if key else None
    if like is not None:
        begun = initial_of(like, job.number if job else None)
    elif job is not None:
        begun = {"film": job.media_id, "job_number": job.number}
    else:
        begun = {}
    if job is not None:
        begun["ink_build"] = job_builds(job)[0]
    machine = key_typed(request.GET.get("machine"))
    return {**begun, "machine": machine} if machine else begun
