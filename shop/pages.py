"""Addresses of the shop's own pages."""

from django.urls import URLPattern

app_name = "shop"
urlpatterns: list[URLPattern] = []
