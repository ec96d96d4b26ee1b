"""Addresses of the shop's own pages."""

from django.urls import path, register_converter

from shop.things import ThingsConverter
from shop.views import access, devices, home, logins, names, pins, settings, setup, things

register_converter(ThingsConverter, "things")

app_name = "shop"
urlpatterns = [
    path("", home.home, name="home"),
    path("setup/", setup.setup, name="setup"),
    path("setup/hours/", setup.setup_hours, name="setup-hours"),
    path("setup/people/", setup.setup_people, name="setup-people"),
    path("setup/making/", setup.setup_work, name="setup-work"),
    path("setup/done/", setup.setup_done, name="setup-done"),
    path("account/", access.account, name="account"),
    path("account/pin/", pins.own_pin, name="own-pin"),
    path("join/<str:code>/", devices.join, name="join"),
    path("floor/names/", names.names, name="names"),
    path("floor/names/<int:person_id>/", names.name, name="name"),
    path("shop/", settings.settings, name="settings"),
    path("shop/facts/", settings.facts, name="facts"),
    path("shop/hours/", settings.hours, name="hours"),
    path("shop/holidays/", settings.holidays, name="holidays"),
    path("shop/closures/", settings.closures, name="closures"),
    path("shop/closures/<int:closure_id>/remove/", settings.closure_remove, name="closure-remove"),
    path("shop/log-ins/", logins.logins, name="logins"),
    path("shop/log-ins/<int:login_id>/role/", logins.login_role, name="login-role"),
    path("shop/log-ins/<int:login_id>/reset/", logins.login_reset, name="login-reset"),
    path("shop/log-ins/<int:login_id>/remove/", logins.login_delete, name="login-remove"),
    path("shop/devices/", devices.devices, name="devices"),
    path("shop/devices/<int:device_id>/", devices.device, name="device"),
    path("shop/devices/<int:device_id>/invite/", devices.device_invite, name="device-invite"),
    path("shop/devices/<int:device_id>/revoke/", devices.device_revoke, name="device-revoke"),
    path("shop/people/<int:person_id>/pin/", pins.person_pin, name="person-pin"),
    path("shop/<things:things>/", things.things_list, name="things"),
    path("shop/<things:things>/new/", things.thing_edit, name="thing-new"),
    path("shop/<things:things>/<int:row_id>/", things.thing_edit, name="thing"),
    path("shop/<things:things>/<int:row_id>/remove/", things.thing_remove, name="thing-remove"),
    path("shop/<things:things>/<int:row_id>/restore/", things.thing_restore, name="thing-restore"),
]
