"""Addresses of the REST API."""

from django.urls import URLPattern

urlpatterns: list[URLPattern] = []
