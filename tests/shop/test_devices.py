"""Devices that nobody owns alone: let in, invited, renamed and put out."""

import io
import re
import threading
from datetime import UTC, datetime, timedelta

import pytest
import segno
import zxingcpp
from django.db import OperationalError, connection
from PIL import Image

from shop.errors import BadInput, ShopError
from shop.models import Device, Membership, Purpose, Role, Shop, User
from shop.services.devices import (
    INVITATION,
    device_enrol,
    device_invite,
    device_invite_again,
    device_invited,
    device_join,
    device_rename,
    device_revoke,
    device_seen,
)
from shop.services.logins import owner_setup
from shop.views.devices import qr_picture

pytestmark = pytest.mark.django_db

NOW = datetime(2030, 3, 4, 9, tzinfo=UTC)
ADDRESS = "http://192.168.1.20:8000/join/k7wd-m3xe-9hqa/"


@pytest.fixture
def shop() -> Shop:
    return owner_setup(username="ada", password="three grey gulls", name="Quay Signs").shop


def facts(shop: Shop, name: str = "Bench", purpose: Purpose = Purpose.FLOOR) -> dict:
    return {
        "shop": shop,
        "name": name,
        "purpose": purpose,
        "by": shop.memberships.get(role=Role.OWNER).user,
        "now": NOW,
    }


@pytest.mark.parametrize(("purpose", "role"), [(Purpose.FLOOR, Role.MAKER), (Purpose.WALL, Role.VIEWER)])
def test_a_device_gets_a_log_in_without_a_password(shop, purpose, role):
    device = device_enrol(**facts(shop, "  Bench   tablet ", purpose))
    assert (device.name, device.joined_at, device.enrolled_by.username) == ("Bench tablet", NOW, "ada")
    assert device.user.membership.role == role
    assert not device.user.has_usable_password()
    assert not device.user.password_is_one_time


def test_two_devices_in_use_do_not_share_a_name(shop):
    first = device_enrol(**facts(shop))
    with pytest.raises(BadInput, match="already is a device"):
        device_enrol(**facts(shop, "bench"))
    assert User.objects.count() == 2  # the owner's and the first device's: nothing half-made
    second = device_enrol(**facts(shop, "Door"))
    with pytest.raises(BadInput, match="already is a device"):
        device_rename(second, "BENCH")
    device_rename(second, "Door")  # its own
    device_revoke(first, NOW)
    device_rename(second, "Bench")
    second.refresh_from_db()
    assert second.name == "Bench"


def test_an_invitation_lets_one_device_in_once(shop):
    device, code = device_invite(**facts(shop))
    assert re.fullmatch(r"[a-z0-9]{4}(-[a-z0-9]{4}){2}", code)
    assert code not in str(Device.objects.filter(pk=device.pk).values().get())
    assert device_invited(code, NOW) == device
    assert device_invited(code, NOW) == device  # looking does not use it up
    joined = device_join(f" {code.upper()} ", NOW + timedelta(minutes=14))
    assert (joined.pk, joined.joined_at) == (device.pk, NOW + timedelta(minutes=14))
    with pytest.raises(ShopError, match="has been used"):
        device_join(code, NOW + timedelta(minutes=14))
    with pytest.raises(ShopError, match="needs no invitation"):
        device_invite_again(joined, NOW)


def test_an_invitation_is_good_for_fifteen_minutes(shop):
    device, code = device_invite(**facts(shop))
    with pytest.raises(ShopError, match="more than 15 minutes old"):
        device_join(code, NOW + INVITATION)
    other = device_invite_again(device, NOW + INVITATION)
    with pytest.raises(ShopError):
        device_join(code, NOW + INVITATION)
    assert device_join(other, NOW + INVITATION).joined_at == NOW + INVITATION


def test_nothing_is_no_invitation(shop):
    device_enrol(**facts(shop))  # its invitation is empty
    for code in ("", "no-such-code"):
        with pytest.raises(ShopError):
            device_join(code, NOW)


@pytest.mark.django_db(transaction=True)
def test_of_two_that_use_an_invitation_at_the_same_moment_one_is_let_in(shop):
    device, code = device_invite(**facts(shop))
    gate, told = threading.Barrier(4), []

    def use() -> None:
        gate.wait()
        try:
            told.append(answer())
        finally:
            connection.close()

    def answer() -> str:
        while True:
            try:
                return f"let in as {device_join(code, NOW).pk}"
            except ShopError:
                return "refused"
            except OperationalError:  # SQLite in memory does not wait for a lock as a file does
                continue

    threads = [threading.Thread(target=use) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(told) == [f"let in as {device.pk}", "refused", "refused", "refused"]


def test_a_revoked_device_keeps_its_row_and_loses_its_log_in(shop):
    device = device_enrol(**facts(shop))
    before = device.user.get_session_auth_hash()
    device_revoke(device, NOW)
    user = User.objects.get(pk=device.user_id)
    assert device.revoked_at == NOW
    assert not user.is_active
    assert user.get_session_auth_hash() != before
    assert Membership.objects.filter(user=user).exists()  # what it clocked has somebody to be by
    device_revoke(device, NOW + timedelta(days=1))
    device.refresh_from_db()
    assert device.revoked_at == NOW


def test_a_revoked_invitation_is_void(shop):
    device, code = device_invite(**facts(shop))
    device_revoke(device, NOW)
    with pytest.raises(ShopError, match="has been used"):
        device_join(code, NOW)
    with pytest.raises(ShopError, match="needs no invitation"):
        device_invite_again(device, NOW)


def test_being_seen_is_written_once_a_minute(shop, django_assert_num_queries):
    device = device_enrol(**facts(shop))
    device_seen(device, NOW)
    device.refresh_from_db()
    assert device.last_seen_at == NOW
    with django_assert_num_queries(0):
        device_seen(device, NOW + timedelta(seconds=59))
    device_seen(device, NOW + timedelta(seconds=60))
    device.refresh_from_db()
    assert device.last_seen_at == NOW + timedelta(seconds=60)


def test_the_invitations_picture_is_read_by_an_independent_reader():
    """zxing-cpp reads the modules that the page's SVG draws, with a quiet zone of 4 (ISO/IEC 18004)."""
    png = io.BytesIO()
    segno.make_qr(ADDRESS, error="m").save(png, kind="png", scale=4, border=4)
    found = zxingcpp.read_barcodes(Image.open(png))
    assert [one.text for one in found] == [ADDRESS]
    assert zxingcpp.read_barcodes(rastered(qr_picture(ADDRESS)))[0].text == ADDRESS


def rastered(svg: str) -> Image.Image:
    """The page's own SVG as a picture. It draws rows of modules: 'M x y', 'm dx dy' and 'h width' of one stroke."""
    side = int(re.search(r'viewBox="0 0 (\d+) ', svg)[1])
    ground, line = Image.new("L", (side, side), 255), re.search(r'stroke="#000"[^>]* d="([^"]+)"', svg)[1]
    x = y = 0.0
    for kind, numbers in re.findall(r"([Mmh])([-\d. ]+)", line):
        values = [float(one) for one in re.findall(r"-?\d*\.?\d+", numbers)]
        if kind == "h":
            for step in range(int(values[0])):
                ground.putpixel((int(x) + step, int(y - 0.5)), 0)
            x += values[0]
        else:
            x, y = values if kind == "M" else (x + values[0], y + values[1])
    return ground.resize((side * 4, side * 4), Image.Resampling.NEAREST)
