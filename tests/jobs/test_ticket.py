"""A job's ticket: what it says, on the page and on paper, and codes that another program can read.

QR: ISO/IEC 18004. Code 128: ISO/IEC 15417; the check values as published by an encyclopaedia's example (PJJ123C)
and by a supplier's (HI345678, and 345678 in set C).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from io import BytesIO
from itertools import pairwise

import pypdfium2
import pytest
import segno
import zxingcpp
from django.test import Client
from django.urls import reverse
from PIL import Image

from jobs.drivers import ItemSize
from jobs.models import Job, JobStatus, JobType, Stage, StageKind, StageState, VisitWindow
from jobs.services.jobs import job_create
from jobs.services.times import MOST_VISITS
from jobs.stock import LOCAL_RULES
from jobs.ticket.codes import code_128, code_128_values, qr_code
from jobs.ticket.contents import Ticket, ticket_of
from jobs.ticket.drawing import draw_item
from jobs.ticket.pdf import paper_of, ticket_pdf
from jobs.ticket.type import Typesetter
from shop.models import Finish, Machine, MachineKind, Media, Membership, Process, Recipe, Role, Shop, User
from shop.services import shop_create

pytestmark = pytest.mark.django_db
ADDRESS = "http://192.168.1.20:8000"
DPI_SCALE = 300 / 72


@pytest.fixture
def shop() -> Shop:
    shop = shop_create(slug="quay", name="Quay Signs", time_zone="Europe/Berlin", address=ADDRESS)
    Media.objects.create(shop=shop, name="White film", width_mm=1370)
    Machine.objects.create(shop=shop, name="Wide printer", kind=MachineKind.PRINTER)
    return shop


def a_job(shop: Shop, title: str = "Van, two sides", **more) -> Job:
    job = job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Vehicle graphics"),
        title=title,
        customer_name=more.pop("customer", "Harbour Bakery"),
        process=Process.objects.of(shop).get(name="Solvent"),
        finish=Finish.objects.of(shop).get(name="Bare"),
        media=Media.objects.of(shop).get(),
        items=more.pop("items", [ItemSize(1200, 600, 2, name="Side"), ItemSize(420, 297, 11, name="Badge")]),
        number=1042,
        **more,
    )
    Job.objects.filter(pk=job.pk).update(due_at=datetime(2026, 11, 27, 15, tzinfo=UTC))
    return job


def the_ticket(shop: Shop, job: Job, base: str = "http://127.0.0.1:8000") -> Ticket:
    return ticket_of(shop, job.number, base)


def pages(pdf: bytes) -> Iterator[tuple[str, Image.Image]]:
    """Text and picture of each page, the picture in 300 dots per inch, as a printer would put it."""
    document = pypdfium2.PdfDocument(pdf)
    for page in document:
        text = page.get_textpage()
        yield text.get_text_bounded().replace("\r\n", "\n"), page.render(scale=DPI_SCALE).to_pil()
        text.close()
        page.close()
    document.close()


def flat(text: str) -> str:
    return re.sub(r"\s+", " ", text)


def client_of(shop: Shop, role: Role) -> Client:
    user = User.objects.create_user(f"{role}-{shop.slug}")
    Membership.objects.create(user=user, shop=shop, role=role)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_both_codes_of_the_printed_ticket_can_be_read(shop, paper):
    job = a_job(shop)
    (_, picture), *_ = pages(ticket_pdf(the_ticket(shop, job), paper))
    found = {code.format.name: code.text for code in zxingcpp.read_barcodes(picture)}
    assert found == {"QRCode": f"{ADDRESS}/floor/1042/", "Code128": "1042"}


@pytest.mark.parametrize("number", ["1", "42", "999", "1042", "2147483647"])
def test_a_job_number_of_any_length_can_be_read_by_a_hand_scanner(number):
    picture = drawn(code_128(number), across=3, down=2)
    assert [
        code.text for code in zxingcpp.read_barcodes(picture, formats=zxingcpp.BarcodeFormat.Code128)
    ] == [number]


def test_a_qr_code_can_be_read_after_part_of_it_was_smudged():
    picture = drawn(qr_code(f"{ADDRESS}/floor/1042/"), across=6, down=6)
    side = picture.width // 12
    picture.paste(
        128, (picture.width // 2, picture.height // 2, picture.width // 2 + side, picture.height // 2 + side)
    )
    assert [code.text for code in zxingcpp.read_barcodes(picture)] == [f"{ADDRESS}/floor/1042/"]


def drawn(code, across: int, down: int) -> Image.Image:
    picture = Image.new("L", (code.width * across, code.height * down), 255)
    for x, y, w, h in code.dark:
        picture.paste(0, (x * across, y * down, (x + w) * across, (y + h) * down))
    return picture


def test_the_qr_codes_error_correction_is_the_standards_own_example():
    # ISO/IEC 18004, annex I: 01234567 as numbers in version 1-M.
    words = codewords(segno.make_qr("01234567", version=1, error="m", boost_error=False).matrix)
    assert words[:4] == bytes.fromhex("10 20 0C 56")
    assert words[16:] == bytes.fromhex("A5 24 D4 C1 ED 36 C7 87 2C 55")


MASKS = (
    lambda i, j: (i + j) % 2,
    lambda i, j: i % 2,
    lambda i, j: j % 3,
    lambda i, j: (i + j) % 3,
    lambda i, j: (i // 2 + j // 3) % 2,
    lambda i, j: i * j % 2 + i * j % 3,
    lambda i, j: (i * j % 2 + i * j % 3) % 2,
    lambda i, j: ((i + j) % 2 + i * j % 3) % 2,
)


def codewords(matrix) -> bytes:
    """The 26 codewords of a version 1 symbol, read back as ISO/IEC 18004 places them: mask off, columns in pairs."""
    format_bits = int("".join(str(matrix[8][x]) for x in range(5)), 2) ^ 0b10101
    masked = MASKS[format_bits & 0b111]
    bits = []
    for turn, right in enumerate((20, 18, 16, 14, 12, 10, 8, 5, 3, 1)):
        for y in range(20, -1, -1) if turn % 2 == 0 else range(21):
            for x in (right, right - 1):
                corner = (y < 9 and (x < 9 or x > 12)) or (y > 12 and x < 9)
                if not corner and 6 not in (x, y):
                    bits.append(matrix[y][x] ^ (masked(y, x) == 0))
    return bytes(int("".join(map(str, bits[i : i + 8])), 2) for i in range(0, 208, 8))


PUBLISHED = {  # each begins in set A or C, as published
    "PJJ123C": ([103, 48, 42, 42, 17, 18, 19, 35], 54),
    "HI345678": ([103, 40, 41, 99, 34, 56, 78], 67),
    "345678": ([105, 34, 56, 78], 73),
}


@pytest.mark.parametrize("text", PUBLISHED)
def test_the_published_check_values_of_code_128(text):
    """A number is written as published; letters begin in set B here, whose start weighs one more than set A's."""
    characters, check = PUBLISHED[text]
    assert weighted(characters) == check
    begun, *rest, found, stop = code_128_values(text)
    assert rest == characters[1:]
    assert (begun - characters[0], found - check) == ((0, 0) if text.isdecimal() else (1, 1))
    assert stop == 106


def weighted(values: list[int]) -> int:
    return (values[0] + sum(place * value for place, value in enumerate(values))) % 103


def test_what_code_128_cannot_say_is_refused():
    for text in ("", "Größe", "a\n"):
        with pytest.raises(ValueError, match="Code 128"):
            code_128(text)


def test_the_printed_ticket_says_all_that_a_maker_needs(shop):
    printer = Machine.objects.of(shop).get()
    Recipe.objects.create(
        shop=shop, machine=printer, media=Media.objects.of(shop).get(), ink_build="colour", force_gf=110,
        blade="45 fine", passes=2, heat_c=40, at=datetime(2026, 10, 1, tzinfo=UTC), note="Slowly round corners.",
    )  # fmt: skip
    job = a_job(shop, notes="Match the green.\nRing first.")
    text = flat(" ".join(said for said, _ in pages(ticket_pdf(the_ticket(shop, job)))))
    for words in (
        "1042", "Van, two sides", "Harbour Bakery", "Fri 27 Nov 2026, 16:00", "Scan to clock",
        "White film, 1,370 mm", "Solvent", "Bare", "Colour", "Side 2 1,200 × 600 mm",
        "Badge 11 420 × 297 mm", "Outgas, 24 h", "Started", "Stopped", "Wide printer",
        "Wide printer, colour: 110 gf (1.08 N), 45 fine blade, 2 passes, 40 °C",
        "Slowly round corners.", "Match the green. Ring first.",
        "hands out of the carriage", "page 1 of",
    ):  # fmt: skip
        assert words in text, words
    assert text.count(LOCAL_RULES) == 1


def test_the_page_says_the_same_as_the_paper(shop):
    job = a_job(shop, notes="Match the green.")
    page = client_of(shop, Role.VIEWER).get(reverse("jobs:ticket", args=[1042])).content.decode()
    found = the_ticket(shop, job)
    for stage in found.stages:
        assert stage.name in page
    for item in found.items:
        assert item.size in page
    for words in (found.due, *found.address_parts, "Scan to clock", "Match the green.", LOCAL_RULES):
        assert words in page
    assert page.count(LOCAL_RULES) == 1
    assert "".join(found.address_parts) == found.address == f"{ADDRESS}/floor/1042/"


def test_sixty_items_flow_to_further_pages_that_are_numbered(shop):
    items = [ItemSize(100 + n, 50, 1, name=f"Number {n:02d}") for n in range(60)]
    job = a_job(shop, items=items)
    said = [text for text, _ in pages(ticket_pdf(the_ticket(shop, job)))]
    assert len(said) > 1
    for place, text in enumerate(said, start=1):
        assert f"page {place} of {len(said)}" in text
        assert "1042 Van, two sides" in text
    together = " ".join(said)
    assert [n for n in range(60) if f"Number {n:02d}" not in together] == []
    assert "Started" in said[0]  # the boxes to tick stay on the first page


def test_nothing_runs_off_the_paper_however_long_the_words_are(shop):
    items = [ItemSize(99_000.0, 1300, 100_000, name="W" * 120, cut_m=99_999.9)]
    job = a_job(shop, "W" * 160, customer="M" * 120, items=items, notes="x" * 400)
    for paper, width in (("a4", 595), ("letter", 612)):
        document = pypdfium2.PdfDocument(ticket_pdf(the_ticket(shop, job), paper))
        for page in document:
            boxes = [one.get_bounds() for one in page.get_objects()]
            assert min(box[0] for box in boxes) >= 20
            assert max(box[2] for box in boxes) <= width - 20
            page.close()
        document.close()


def test_as_many_visits_and_cautions_as_may_be_are_all_on_the_paper(shop):
    job = a_job(shop)
    for n in range(MOST_VISITS):
        at = datetime(2026, 12, 1, 9, tzinfo=UTC) + timedelta(days=n)
        until = at + timedelta(hours=30)
        VisitWindow.objects.create(shop=shop, job=job, starts_at=at, ends_at=until)
    kinds = StageKind.objects.filter(pk__in=job.stages.filter(left_out=False).values("kind"))
    kinds.update(caution="Mind the blade. " * 200)
    text = flat(" ".join(text for text, _ in pages(ticket_pdf(the_ticket(shop, job)))))
    assert len(re.findall(r"\d+ (?:Dec 2026|Jan 2027), 1\d:00", text)) == 2 * MOST_VISITS
    assert text.count("Mind") == 200 * kinds.count()


def test_the_same_ticket_is_the_same_file_and_a_finished_stage_is_ticked(shop):
    job = a_job(shop)
    first = ticket_pdf(the_ticket(shop, job))
    assert ticket_pdf(the_ticket(shop, job)) == first
    stage = job.stages.get(kind__key="print")
    done = datetime(2026, 11, 26, 9, 30, tzinfo=UTC)
    Stage.objects.filter(pk=stage.pk).update(state=StageState.FINISHED, finished_at=done)
    text = flat(next(pages(ticket_pdf(the_ticket(shop, job))))[0])
    assert "Print finished Thu 26 Nov 2026, 10:30" in text


def test_other_alphabets_are_printed_and_what_has_no_type_is_said(shop):
    job = a_job(shop, "Łódź, Ελλάς, Київ", customer="看板 שלט")
    text = flat(next(pages(ticket_pdf(the_ticket(shop, job))))[0])
    assert "Łódź, Ελλάς, Київ" in text
    assert "no type for (Chinese characters, Hebrew) stand as question marks" in text
    setter = Typesetter()
    assert "<b>" not in setter("a <b> & \x00\u200b")
    assert setter.missing == set()


def test_an_address_that_no_phone_reaches_is_said_with_where_to_set_it(shop):
    job = a_job(shop)
    assert the_ticket(shop, job).unreachable == ""
    shop.address = ""
    shop.save()
    for base in ("http://127.0.0.1:8000", "http://localhost/", "http://[::1]:8000", "http://0.0.0.0:8000"):
        found = the_ticket(shop, job, base)
        assert "Change the shop’s facts" in found.unreachable
    assert the_ticket(shop, job, "http://shop.example/").address == "http://shop.example/floor/1042/"
    text = flat(next(pages(ticket_pdf(the_ticket(shop, job))))[0])
    assert "Phones cannot reach this address" in text


def test_settings_are_the_latest_that_did_not_fail_for_this_film_and_ink(shop):
    media, printer = Media.objects.of(shop).get(), Machine.objects.of(shop).get()
    other = Media.objects.create(shop=shop, name="Other film", width_mm=1000)

    def recipe(day: int, force: int, **more) -> None:
        facts = {"media": media, "ink_build": "colour", "machine": printer, **more}
        Recipe.objects.create(shop=shop, at=datetime(2026, 3, day, tzinfo=UTC), force_gf=force, **facts)

    Media.objects.filter(pk=other.pk).delete()
    job = a_job(shop)
    assert the_ticket(shop, job).why_no_settings
    other = Media.objects.create(shop=shop, name="Other film", width_mm=1000)
    recipe(1, 100)
    recipe(2, 120, outcome="nearly")
    recipe(3, 140, outcome="failed")
    recipe(4, 160, active=False)
    recipe(5, 180, media=other)
    recipe(6, 200, ink_build="white_colour")
    (found,) = the_ticket(shop, job).settings
    assert (found.words, found.outcome, found.other) == ("120 gf (1.18 N)", "Nearly", False)
    Recipe.objects.filter(ink_build="colour").delete()
    (found,) = the_ticket(shop, job).settings
    assert (found.ink, found.other) == ("white under colour", True)


def test_an_imperial_shop_reads_inches_on_letter(shop):
    shop.units = "imperial"
    shop.save()
    job = a_job(shop)
    found = the_ticket(shop, job)
    assert found.items[0].size == "47.24 × 23.62 in"
    assert dict(found.facts)["Film"] == "White film, 53.94\u00a0in"
    assert [paper_of("imperial"), paper_of("metric"), paper_of("imperial", "a4")] == ["letter", "a4", "a4"]
    answer = client_of(shop, Role.VIEWER).get(reverse("jobs:ticket-pdf", args=[1042]))
    document = pypdfium2.PdfDocument(answer.content)
    assert document.get_page_size(0) == (612, 792)
    document.close()


def test_a_drawing_keeps_the_proportions_between_the_edges_of_the_roll():
    one = draw_item(600, 300, 1200, (24, 10))
    assert (one.width, one.height) == pytest.approx((12, 6))
    assert [edge[0] for edge in one.edges] == pytest.approx([0, 24])
    turned = draw_item(3000, 500, 1370, (24, 10))
    assert turned.width / turned.height == pytest.approx(6)
    (low, high) = [edge[1] for edge in turned.edges]
    assert (high - low) / turned.height == pytest.approx(1370 / 500)
    assert draw_item(3000, 2000, 1370, (24, 10)).edges == ()  # it fits the roll neither way
    bare = [draw_item(width, 100, None, (24, 10), largest=400) for width in (100, 200, 400)]
    assert [b.width / a.width for a, b in pairwise(bare)] == pytest.approx([2, 2])


def test_a_job_number_read_by_a_hand_scanner_opens_its_clock(shop):
    job = a_job(shop)
    maker = client_of(shop, Role.MAKER)
    answer = maker.get(reverse("jobs:floor"), {"q": f" {job.number} "})
    assert answer.url == reverse("jobs:stopwatch", args=[job.number])
    assert maker.get(reverse("jobs:floor"), {"q": "77"}).status_code == 200


def test_a_scanned_address_leads_through_the_log_in_to_the_clock(shop):
    job = a_job(shop)
    asked = reverse("jobs:stopwatch", args=[job.number])
    answer = Client().get(asked)
    assert answer.url == f"{reverse('login')}?next={asked}"
    client_of(shop, Role.OWNER)
    user = User.objects.create_user("ada", password="harbour-lamp-seven")
    Membership.objects.create(user=user, shop=shop, role=Role.MAKER)
    sent = Client().post(answer.url, {"username": "ada", "password": "harbour-lamp-seven"})
    assert sent.url == asked


@pytest.mark.browser
def test_the_page_is_accessible_and_its_codes_can_be_read_in_the_dark(
    shop, page_at, log_in, assert_accessible
):
    a_job(shop)
    user = User.objects.create_user("ada")
    Membership.objects.create(user=user, shop=shop, role=Role.OWNER)
    for width, scheme in ((390, "light"), (1280, "dark")):
        page = log_in(page_at(width, color_scheme=scheme), user)
        page.goto("/jobs/1042/ticket/")
        assert_accessible(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        picture = Image.open(BytesIO(page.screenshot(full_page=True, scale="device")))
        found = {code.format.name: code.text for code in zxingcpp.read_barcodes(picture)}
        assert found == {"QRCode": f"{ADDRESS}/floor/1042/", "Code128": "1042"}


@pytest.mark.browser
def test_a_hand_scanner_that_types_into_the_floors_search_opens_the_clock(shop, page_at, log_in):
    job = a_job(shop, status=JobStatus.PROMISED)
    other = job_create(
        shop=shop,
        job_type=job.job_type,
        title="Not kept on the device",
        process=job.process,
        finish=job.finish,
    )
    user = User.objects.create_user("ada")
    Membership.objects.create(user=user, shop=shop, role=Role.MAKER)
    page = log_in(page_at(1280), user)
    for number in (job.number, other.number):
        page.goto("/floor/")
        page.locator("[data-floor][data-ready]").wait_for()
        page.keyboard.press("/")
        page.locator("#q").press_sequentially(f"{number}")
        page.keyboard.press("Enter")
        page.wait_for_url(f"**/floor/{number}/")
        assert f"{number}" in page.locator("h1").inner_text()
