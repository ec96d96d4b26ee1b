"""A new enquiry as it is typed in, and lengths in whatever unit somebody writes."""

from datetime import UTC, datetime

import pytest
from django.http import QueryDict
from django.template.loader import render_to_string
from hypothesis import given
from hypothesis import strategies as st

from jobs.forms.enquiry import EnquiryForm
from jobs.forms.fields import say_length, say_minutes
from jobs.models import Driver, Job, JobStatus, JobType
from jobs.services.drivers import driver_create
from jobs.services.estimates import planned_driver
from shop.models import InkBuild, Media, Process, Shop
from shop.services import shop_create
from shop.units import read_length, write_length


@pytest.fixture
def shop(db) -> Shop:
    shop = shop_create(slug="quay", name="Quay Signs", time_zone="America/New_York")
    Media.objects.create(shop=shop, name="White film", width_mm=1370)
    return shop


def typed(shop: Shop, job_type: str = "Vehicle graphics", process: str = "Latex", **more) -> QueryDict:
    data = QueryDict(mutable=True)
    chosen = Process.objects.of(shop).get(name=process)
    data.update(
        {
            "job_type": JobType.objects.of(shop).get(name=job_type).pk,
            "title": "Van",
            "customer": "Harbour Bakery",
            "process": chosen.pk,
            "finish": chosen.finishes.get(name="Bare").pk,
            "items-TOTAL_FORMS": "1",
            "items-INITIAL_FORMS": "0",
            "items-0-width_mm": "1200",
            "items-0-height_mm": "600",
            "items-0-count": "2",
            "items-0-ink_build": "white_colour",
        }
    )
    for key, value in more.items():
        data.setlist(key, value) if isinstance(value, list) else data.update({key: value})
    return data


def errors_of(form: EnquiryForm) -> dict[str, list[str]]:
    assert not form.is_valid()
    return {**form.errors, **{f"items.{k}": v for row in form.items.errors for k, v in row.items()}}


def test_an_enquiry_becomes_a_job_with_all_that_was_typed(shop):
    Driver.objects.create(shop=shop, key="surface", name="Surface", is_category=True)
    form = EnquiryForm(
        typed(
            shop,
            requested=["travel"],
            ready_date="2026-03-09",
            ready_time="08:00",
            **{"driver-height_m": "3,5", "driver-surface": "steel", "items-0-cut_m": "4.25"},
        ),
        shop=shop,
    )
    assert form.is_valid(), form.errors
    job = form.save()
    assert (job.status, job.customer.name, job.number) == (JobStatus.ENQUIRY, "Harbour Bakery", 1)
    assert job.drivers == {"height_m": 3.5, "surface": "steel"}
    assert job.ready_from == datetime(
        2026, 3, 9, 12, tzinfo=UTC
    )  # New York, the day after its clocks went on
    item = job.items.get()
    assert (item.width_mm, item.count, item.cut_m, item.ink_build) == (1200, 2, 4.25, "white_colour")
    assert not job.stages.get(kind__key="travel").left_out


def test_letters_are_typed_in_the_shops_unit_and_a_shops_own_drivers_are_asked_by_their_sort(shop):
    driver_create(shop, name="Surface", sort="words", levels=["Steel", "Glass"])
    driver_create(shop, name="Over rivets", sort="yes_no")
    driver_create(shop, name="Bends", sort="quantity", unit="°")
    driver_create(shop, name="Colour", sort="words")
    planned_driver(shop)
    given = {
        "driver-surface": "Glass",
        "driver-over_rivets": "0",
        "driver-bends": "12.5",
        "driver-colour": "red",
    }
    form = EnquiryForm(typed(shop, **given, **{"items-0-letter_mm": "1 in"}), shop=shop)
    asked = {field.name.removeprefix("driver-"): field.label for field in form.driver_fields}
    assert asked == {
        "bends": "Bends, °", "colour": "Colour", "height_m": "Height, m", "over_rivets": "Over rivets",
        "panels": "Panels", "passes": "Passes", "surface": "Surface",
    }  # fmt: skip
    assert form.is_valid(), form.errors
    job = form.save()
    assert job.items.get().letter_mm == pytest.approx(25.4)  # the international inch of 1959
    assert job.drivers == {"surface": "Glass", "over_rivets": 0.0, "bends": 12.5, "colour": "red"}
    again = EnquiryForm(shop=shop, job=job)
    shown = {field.name.removeprefix("driver-"): field.value() for field in again.driver_fields}
    assert (shown["surface"], shown["over_rivets"], shown["bends"]) == ("Glass", "0", 12.5)
    assert str(again.items.forms[0]["letter_mm"].value()) == "25.4"
    assert [key for key, _ in again.fields["driver-over_rivets"].choices] == ["", "1", "0"]


def test_a_word_that_is_not_to_choose_and_letters_larger_than_their_item_are_refused_at_their_fields(shop):
    driver_create(shop, name="Surface", sort="words", levels=["Steel", "Glass"])
    driver_create(shop, name="Over rivets", sort="yes_no")
    wrong = {"driver-surface": "Brick", "driver-over_rivets": "maybe", "items-0-letter_mm": "1.3 m"}
    found = errors_of(EnquiryForm(typed(shop, **wrong), shop=shop))
    assert set(found) == {"driver-surface", "driver-over_rivets", "items.letter_mm"}
    assert "the item's own 1,200 mm" in found["items.letter_mm"][0]


def test_a_stage_that_the_route_has_not_is_refused_at_its_field(shop):
    form = EnquiryForm(typed(shop, "Lettering", "Cut only", requested=["travel"]), shop=shop)
    assert form.is_valid()
    assert form.save() is None
    assert "route of Lettering has no Travel" in form.errors["requested"][0]
    assert not Job.objects.exists()


def test_what_is_only_cut_has_no_ink_and_its_one_finish(shop):
    form = EnquiryForm(typed(shop, "Lettering", "Cut only", finish=""), shop=shop)
    assert form.is_valid(), form.errors
    job = form.save()
    assert job.finish.name == "Bare"
    assert job.items.get().ink_build == InkBuild.NONE


def test_what_is_retired_or_another_shops_is_not_offered(shop):
    other = shop_create(slug="hill", name="Hill Signs")
    theirs = JobType.objects.of(other).first().pk
    assert "job_type" in errors_of(EnquiryForm(typed(shop, "Lettering"), shop=other))
    data = typed(shop)
    data["job_type"] = str(theirs)
    assert "job_type" in errors_of(EnquiryForm(data, shop=shop))
    JobType.objects.of(shop).update(active=False)
    assert "job_type" in errors_of(EnquiryForm(typed(shop), shop=shop))


def test_an_item_wider_than_the_film_chosen_is_refused_with_panels(shop):
    narrow = Media.objects.create(shop=shop, name="Narrow film", width_mm=610)
    errors = errors_of(EnquiryForm(typed(shop, film=narrow.pk, **{"items-0-height_mm": "700"}), shop=shop))
    assert "the widest roll is 610 mm" in errors["items.width_mm"][0]
    assert "3 panels" in errors["items.width_mm"][0]
    form = EnquiryForm(typed(shop, **{"items-0-height_mm": "700"}), shop=shop)
    assert form.is_valid()


@pytest.mark.parametrize("count", ["", "x", "-3", "99999999999999999999"])
def test_a_meddled_count_of_rows_is_an_error_and_no_crash(shop, count):
    form = EnquiryForm(typed(shop, **{"items-TOTAL_FORMS": count}), shop=shop)
    assert not form.is_valid()
    assert render_to_string("jobs/_enquiry_fields.html", {"form": form})


def test_the_fields_of_an_empty_form_show_no_error_and_every_process_with_its_note(shop):
    html = render_to_string("jobs/_enquiry_fields.html", {"form": EnquiryForm(shop=shop)})
    assert "field-error" not in html
    assert "Not suited to vehicle wraps and strongly curved surfaces." in html
    assert "Lies 24 h before it is cut or laminated." in html
    assert 'name="items-0-width_mm"' in html
    assert 'name="items-__prefix__-width_mm"' in html


# The international inch and foot: 25.4 mm and 304.8 mm exactly (agreement of 1959; from memory).
@pytest.mark.parametrize(
    ("text", "unit", "mm"),
    [
        ("1370", "mm", 1370),
        ("54", "in", 1371.6),
        ('54"', "mm", 1371.6),
        ("4.5 ft", "mm", 1371.6),
        ("1.37 m", "in", 1370),
        ("1,37 m", "mm", 1370),
        ("1,370", "mm", 1370),
        ("12,345.5", "mm", 12345.5),
        ("137 CM", "mm", 1370),
        (" -5 ", "mm", -5),
    ],
)
def test_lengths_are_read_in_the_unit_said_or_the_shops(text, unit, mm):
    assert read_length(text, unit) == pytest.approx(mm)


@pytest.mark.parametrize("text", ["", "wide", "1.2.3", "1 2", "12 furlongs", "mm", "1e3", "nan", "inf", "."])
def test_what_is_no_length_is_refused(text):
    with pytest.raises(ValueError, match="is not a length"):
        read_length(text, "mm")


@given(st.floats(1, 100_000), st.sampled_from([("mm", 0.051), ("in", 0.128), ("m", 0.51), ("ft", 0.153)]))
def test_a_length_written_is_read_again_as_precise_as_it_is_shown(mm, unit):
    name, half_a_digit = unit
    assert read_length(write_length(mm, name), name) == pytest.approx(mm, abs=half_a_digit)
    assert read_length(say_length(mm, name), "mm") == pytest.approx(mm, abs=half_a_digit)


def test_minutes_are_said_in_hours():
    assert [say_minutes(m) for m in (None, 0, 45, 90, 1440)] == ["", "", "45 min", "1 h 30 min", "24 h"]
