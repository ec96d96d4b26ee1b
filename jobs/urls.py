"""Addresses of the jobs pages."""

from django.urls import URLPattern

app_name = "jobs"
urlpatterns: list[URLPattern] = []
