"""Addresses of the analytics pages."""

from django.urls import URLPattern

app_name = "analytics"
urlpatterns: list[URLPattern] = []
