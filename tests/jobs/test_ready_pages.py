"""The pages of getting ready: results with photos, what was found, and the shop's lists of checks."""

import csv
import io
from uuid import uuid4

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from PIL import Image

from jobs.models import JobStatus, JobType
from jobs.photos import LONGEST_PX, MOST_BYTES, photo_clean
from jobs.services.jobs import job_create
from jobs.services.readiness import CheckFacts, check_save, checks_add_usual
from jobs.stock import LOCAL_RULES
from jobs.views.ready import read_minutes
from shop.errors import BadInput
from shop.models import CheckResult, Machine, Membership, Person, ReadinessCheck, Role, Shop, User
from shop.services import shop_create

pytestmark = pytest.mark.django_db
ORIENTATION, GPS, MAKE = 0x0112, 0x8825, 0x010F  # EXIF tags (CIPA DC-008)


@pytest.fixture(autouse=True)
def media_of_its_own(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path


@pytest.fixture
def shop() -> Shop:
    shop = shop_create(slug="quay", name="Quay Signs")
    Person.objects.create(shop=shop, name="Ada")
    return shop


@pytest.fixture
def check(shop: Shop) -> ReadinessCheck:
    cutter = Machine.objects.create(shop=shop, name="Cutter", kind="cutter")
    return check_save(cutter, CheckFacts("Cut test", 0, "Less force.", "Blades."))


def client_of(shop: Shop, role: Role = Role.MAKER) -> Client:
    user = User.objects.create_user(f"{role.value}-{shop.slug}")
    Membership.objects.create(user=user, shop=shop, role=role)
    client = Client()
    client.force_login(user, "django.contrib.auth.backends.ModelBackend")
    return client


def picture(size=(40, 30), kind="JPEG", exif=None, colour="red") -> bytes:
    out = io.BytesIO()
    image = Image.new("RGB", size, colour)
    image.paste((0, 0, 255), (0, 0, size[0] // 4, size[1] // 4))  # its upper left is blue
    image.save(out, kind, **({"exif": exif} if exif else {}), **({"quality": 100} if kind == "JPEG" else {}))
    return out.getvalue()


def cleaned(content: bytes) -> Image.Image:
    return Image.open(io.BytesIO(photo_clean(io.BytesIO(content), len(content))))


def post(client: Client, check: ReadinessCheck, outcome: str, **more):
    sent = {"id": str(uuid4()), "outcome": outcome, **more}
    return client.post(reverse("jobs:check-result", args=[check.pk]), sent)


def test_a_photo_is_turned_as_its_exif_says_and_says_nothing_more():
    exif = Image.Exif()
    exif[ORIENTATION], exif[MAKE] = 6, "A phone"
    exif.get_ifd(GPS)[1] = "N"
    clean = cleaned(picture((400, 300), exif=exif.tobytes()))
    assert clean.size == (300, 400)
    assert dict(clean.getexif()) == {}
    # Orientation 6: the stored upper left is seen at the upper right (CIPA DC-008).
    assert [clean.getpixel(at)[2] > 128 for at in ((289, 10), (10, 10), (289, 389))] == [True, False, False]


def test_a_large_photo_is_made_smaller_and_any_kind_becomes_a_jpeg():
    clean = cleaned(picture((3000, 1500)))
    assert (clean.size, clean.format) == ((LONGEST_PX, LONGEST_PX // 2), "JPEG")
    for kind in ("PNG", "WEBP"):
        assert cleaned(picture(kind=kind)).format == "JPEG"


def test_of_a_photo_with_further_pictures_behind_it_the_first_is_kept():
    """CIPA DC-007, the multi-picture format: what many phones write, with a name that ends in .jpg."""
    out, behind = io.BytesIO(), Image.new("RGB", (30, 20), "blue")
    Image.new("RGB", (400, 300), "red").save(out, "MPO", save_all=True, append_images=[behind])
    clean = cleaned(out.getvalue())
    assert (clean.size, clean.format, getattr(clean, "n_frames", 1)) == ((400, 300), "JPEG", 1)
    assert clean.getpixel((200, 150))[0] > 200


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"no picture",
        picture()[:200],
        b"<svg xmlns='http://www.w3.org/2000/svg'/>",
        b"GIF89a" + b"\0" * 40,
    ],
)
def test_what_is_no_photo_is_refused_in_words(content):
    with pytest.raises(BadInput, match="cannot be read as a JPEG, PNG or WebP"):
        photo_clean(io.BytesIO(content), len(content))


def test_a_photo_that_is_too_large_is_refused_before_it_is_read():
    with pytest.raises(BadInput, match=r"The photo is 10\.0 MB; the most is 10 MB"):
        photo_clean(io.BytesIO(b""), MOST_BYTES + 1)


def test_a_small_file_that_would_fill_the_memory_is_refused():
    content = picture((5000, 5000), kind="PNG")
    assert len(content) < 200_000
    with pytest.raises(BadInput, match=r"5,000 × 5,000 px, which is too large"):
        photo_clean(io.BytesIO(content), len(content))


def test_a_photo_whose_exif_makes_no_sense_is_kept_all_the_same():
    exif = Image.Exif()
    exif[ORIENTATION], exif[MAKE] = 6, "A phone"
    sound = picture((400, 300), exif=exif.tobytes())
    # The maker's name under the tag of the width (Exif 2.3: 0x010F, 0x0100), which is a number.
    odd = sound.replace(b"\x01\x0f\x00\x02", b"\x01\x00\x00\x02")
    assert odd != sound
    assert cleaned(odd).size == (300, 400)


@pytest.mark.parametrize(
    ("text", "minutes"), [("", None), (" 4 ", 4), ("4,5", 4.5), ("4:30", 4.5), ("0:06", 0.1)]
)
def test_minutes_are_read_as_people_write_them(text, minutes):
    assert read_minutes(text) == minutes


@pytest.mark.parametrize("text", ["four", "4:75", "-1", "nan", "inf", "1:2:3", "4:", "9" * 400 + ":30"])
def test_minutes_that_are_none_are_refused(text):
    with pytest.raises(BadInput, match=r"Write 4, 4\.5 or 4:30"):
        read_minutes(text)


def test_one_press_records_a_result_and_it_can_be_taken_back(shop, check):
    client = client_of(shop)
    assert "Not yet today" in client.get(reverse("jobs:ready")).content.decode()
    answer = post(client, check, "good")
    assert answer.url == f"{reverse('jobs:ready')}#check-{check.pk}"
    result = CheckResult.objects.get()
    assert (result.outcome, result.person.name, result.minutes, result.recorded_by.username) == (
        "good", "Ada", None, "maker-quay"
    )  # fmt: skip
    page = client.get(reverse("jobs:ready")).content.decode()
    assert "Cutter, Cut test: good." in page
    assert "Not yet today" not in page
    back = reverse("jobs:result-take-back", args=[result.pk])
    assert back in page
    client.post(back)
    assert "Not yet today" in client.get(reverse("jobs:ready")).content.decode()


def test_a_press_sent_twice_is_one_result(shop, check):
    client, key = client_of(shop), str(uuid4())
    for _ in range(2):
        assert post(client, check, "good", id=key).status_code == 302
    assert CheckResult.objects.count() == 1


def test_not_good_says_what_to_do_and_asks_for_the_check_again(shop, check):
    client = client_of(shop)
    post(client, check, "bad", minutes="2:30", note="Torn corners")
    page = client.get(reverse("jobs:ready")).content.decode()
    assert "<strong>What to do:</strong> Less force. Then check again." in page
    assert "Torn corners" in page
    assert CheckResult.objects.get().minutes == 2.5


def test_a_refused_result_says_why_at_its_check_and_keeps_what_was_typed(shop, check):
    client = client_of(shop)
    answer = post(client, check, "good", minutes="soon", note="Kept words")
    page = answer.content.decode()
    assert answer.status_code == 422
    assert "“soon” is no number of minutes" in page
    assert 'value="Kept words"' in page
    file = SimpleUploadedFile("a.jpg", b"no picture", "image/jpeg")
    assert "cannot be read" in post(client, check, "good", photo=file).content.decode()
    assert post(client, check, "perfect").status_code == 422
    assert not CheckResult.objects.exists()


def test_a_photo_is_kept_with_the_data_and_shown_to_the_shops_own_log_ins_only(shop, check, tmp_path):
    client = client_of(shop)
    file = SimpleUploadedFile("../../x.png", picture(kind="PNG"), "image/png")
    post(client, check, "put_right", photo=file)
    result = CheckResult.objects.get()
    assert result.photo.name == f"checks/{shop.pk}/{result.pk}.jpg"
    assert [p.relative_to(tmp_path).as_posix() for p in tmp_path.rglob("*.jpg")] == [result.photo.name]
    url = reverse("jobs:check-photo", args=[result.pk])
    viewer = client_of(shop, Role.VIEWER)
    answer = viewer.get(url)
    assert (answer["Content-Type"], answer.content[:2]) == ("image/jpeg", b"\xff\xd8")
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert url in viewer.get(reverse("jobs:ready-machine", args=[check.machine_id])).content.decode()
    assert Client().get(url).status_code == 302
    assert client_of(shop_create(slug="hill", name="Hill"), Role.OWNER).get(url).status_code == 404
    (tmp_path / result.photo.name).unlink()
    assert viewer.get(url).status_code == 404


def test_what_was_found_lists_results_and_who_may_take_them_back(shop, check):
    client, other = client_of(shop), client_of(shop, Role.PLANNER)
    post(client, check, "good", note="Fine")
    url = reverse("jobs:ready-machine", args=[check.machine_id])
    assert "Take back<span" in client.get(url).content.decode()
    assert "Take back<span" not in other.get(url).content.decode()
    result = CheckResult.objects.get()
    client.post(reverse("jobs:result-take-back", args=[result.pk]), {"back": "machine"})
    assert "Good, taken back" in other.get(url).content.decode()


def test_the_results_are_a_file_for_a_spreadsheet(shop, check):
    client = client_of(shop)
    post(client, check, "bad", note="=1+1", minutes="3")
    rows = list(csv.DictReader(io.StringIO(client.get(reverse("jobs:results-csv")).content.decode())))
    assert [(r["machine"], r["check"], r["outcome"], r["minutes"], r["note"]) for r in rows] == [
        ("Cutter", "Cut test", "bad", "3", "'=1+1")
    ]


def test_a_planner_keeps_the_list_of_checks(shop):
    cutter = Machine.objects.create(shop=shop, name="Cutter", kind="cutter")
    planner, url = client_of(shop, Role.PLANNER), reverse("jobs:checks", args=[cutter.pk])
    assert "Add the usual ones" in planner.get(url).content.decode()
    planner.post(reverse("jobs:checks-usual", args=[cutter.pk]))
    sent = {"name": "Blade holder clean", "idle_hours": "24", "if_bad": "Brush it.", "caution": ""}
    assert planner.post(reverse("jobs:check-new", args=[cutter.pk]), sent).url == url
    rows = {row.name: row for row in cutter.checks.all()}
    assert list(rows) == ["Cut test", "Blade holder clean"]
    own = rows["Blade holder clean"]
    planner.post(reverse("jobs:check-press", args=[own.pk]), {"do": "up"})
    assert [row.name for row in cutter.checks.all()] == ["Blade holder clean", "Cut test"]
    wrong = planner.post(reverse("jobs:check", args=[own.pk]), {**sent, "name": "CUT TEST"})
    assert wrong.status_code == 422
    assert "There already is a “Cut test”" in wrong.content.decode()
    planner.post(reverse("jobs:check-press", args=[own.pk]), {"do": "retire"})
    assert "No longer asked for" in planner.get(url).content.decode()
    assert client_of(shop, Role.MAKER).get(url).status_code == 403
    assert url in planner.get(reverse("shop:things", args=["machines"])).content.decode()


def test_the_job_and_its_stopwatch_say_what_its_machine_needs_first(shop, check):
    job = job_create(
        shop=shop,
        job_type=JobType.objects.of(shop).get(name="Lettering"),
        title="Door",
        status=JobStatus.PROMISED,
    )
    Machine.objects.create(shop=shop, name="Laminator", kind="laminator")
    checks_add_usual(Machine.objects.get(name="Laminator"))  # lettering is not laminated
    client = client_of(shop)
    page = client.get(reverse("jobs:job", args=[job.number])).content.decode()
    assert "<strong>Cutter</strong>, before it runs: Cut test (not yet today)" in page
    assert "Rollers clean" not in page
    cut, artwork = job.stages.get(kind__key="cut"), job.stages.get(kind__key="artwork")
    stopwatch = reverse("jobs:stopwatch", args=[job.number])
    said = "before it runs: Cut test"
    assert said in client.get(f"{stopwatch}?stage={cut.pk}").content.decode()
    assert said not in client.get(f"{stopwatch}?stage={artwork.pk}").content.decode()
    pack = client.get(reverse("jobs:pack")).json()
    assert {"machine": check.machine_id, "bad": False, "due": ["Cut test (not yet today)"]} in pack["ready"]
    post(client, check, "good")
    assert said not in client.get(f"{stopwatch}?stage={cut.pk}").content.decode()
    due = [one["machine"] for one in client.get(reverse("jobs:pack")).json()["ready"]]
    assert due == [Machine.objects.get(name="Laminator").pk]


def test_local_codes_are_said_once_however_many_machines_there_are(shop):
    for name in ("Cutter", "Other cutter"):
        checks_add_usual(Machine.objects.create(shop=shop, name=name, kind="cutter"))
    page = client_of(shop).get(reverse("jobs:ready")).content.decode()
    assert page.count('<p class="caution">Blades: ') == 2
    assert page.count(LOCAL_RULES) == 1


def test_without_machines_or_checks_the_page_says_what_to_do_next(shop):
    planner = client_of(shop, Role.PLANNER)
    assert "Enter the machines" in planner.get(reverse("jobs:ready")).content.decode()
    Machine.objects.create(shop=shop, name="Cutter", kind="cutter")
    assert "add the usual ones with one press" in planner.get(reverse("jobs:ready")).content.decode()
    assert "Ask the planner" in client_of(shop).get(reverse("jobs:ready")).content.decode()
