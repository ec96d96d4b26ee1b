"""The shop application."""

from django.apps import AppConfig


class ShopConfig(AppConfig):
    name = "shop"
