"""The service worker, the page it shows without a connection, and the manifest."""

import json
import re
from pathlib import Path
from urllib.parse import unquote

import pytest
from django.contrib.staticfiles.finders import find
from django.contrib.staticfiles.storage import StaticFilesStorage, staticfiles_storage
from django.test import Client
from django.urls import reverse
from PIL import Image

from jobs import release
from jobs.models import JobStatus
from shop.models import Role
from tests.jobs.test_pack import a_job, a_shop, client_of

pytestmark = pytest.mark.django_db


def said_by_the_worker() -> dict:
    text = Client().get("/sw.js").content.decode()
    found = re.search(r"^const \{.*?\} = (\{.*\});$", text, re.MULTILINE)
    assert found, text[:400]
    return json.loads(found[1])


def test_the_worker_keeps_every_script_that_the_floor_is_made_of():
    said = said_by_the_worker()
    assert {"/static/jobs/js/taps.js", "/static/shop/css/base.css", "/static/shop/icons/icon-192.png"} <= set(
        said["files"]
    )
    for address in said["files"]:
        path = unquote(address.removeprefix("/static/"))
        assert find(path), address
        if path.endswith(".js"):
            text = Path(find(path)).read_text(encoding="utf-8")
            for name in re.findall(r"""^(?:import|export)[^"']*["'](\.[^"']+)["']""", text, re.MULTILINE):
                wanted = (Path("/static") / Path(path).parent / name).as_posix()
                while "/../" in wanted:
                    wanted = re.sub(r"[^/]+/\.\./", "", wanted, count=1)
                assert wanted in said["files"], f"{path} needs {name}"


def test_the_worker_may_look_after_the_whole_site_and_is_never_an_old_one():
    answer = Client().get("/sw.js")
    assert answer["Service-Worker-Allowed"] == "/"
    assert answer["Cache-Control"] == "no-cache"
    assert answer["Content-Type"].startswith("text/javascript")


def test_another_file_is_another_release(monkeypatch, settings):
    before = release._read()
    assert release._read() == before
    real = StaticFilesStorage.url
    monkeypatch.setattr(
        staticfiles_storage._wrapped,
        "url",
        lambda name: real(staticfiles_storage._wrapped, re.sub(r"\.(\w+)$", r".0123abcd.\1", name)),
    )
    hashed = release._read()
    assert hashed.version != before.version
    assert "/static/jobs/css/floor.0123abcd.css" in hashed.lasting
    assert "/static/jobs/css/floor.css" not in hashed.files
    # Modules name one another by their plain names.
    assert "/static/jobs/js/taps.js" in hashed.files
    assert "/static/jobs/js/taps.0123abcd.js" in hashed.lasting


def test_the_shell_has_nothing_of_the_shops_work_in_it():
    shop = a_shop("quay")
    a_job(shop, "Secret van", JobStatus.PROMISED)
    whole = client_of(shop).get(reverse("jobs:floor")).content.decode()
    assert "Secret van" in whole
    answer = client_of(shop).get(reverse("jobs:shell"))
    text = answer.content.decode()
    assert "Secret van" not in text
    assert "Opening what is kept on this device" in text
    assert f'data-shop="{shop.pk}"' in text
    assert answer["X-Release"] == release.release().version
    assert "no-store" in answer["Cache-Control"]
    assert client_of(shop, Role.VIEWER).get(reverse("jobs:shell")).status_code == 403


def test_the_manifest_says_how_the_floor_is_put_on_a_home_screen():
    answer = Client().get("/manifest.webmanifest")
    said = answer.json()
    assert answer["Content-Type"] == "application/manifest+json"
    assert (said["start_url"], said["display"], said["short_name"]) == ("/floor/", "standalone", "Lapwright")
    assert {icon["purpose"] for icon in said["icons"]} == {"any", "maskable"}
    for icon in said["icons"]:
        with Image.open(find(icon["src"].removeprefix("/static/"))) as picture:
            assert f"{picture.width}x{picture.height}" == icon["sizes"]


def test_every_page_names_the_manifest():
    shop = a_shop("quay")
    assert b'rel="manifest"' in client_of(shop).get(reverse("shop:account")).content
