"""Passwords are hashed quickly here: what is tested is who gets in, not how long a guess would take."""

from typing import Any

import pytest


@pytest.fixture(autouse=True)
def quick_passwords(settings: Any) -> None:
    """One round of a quick hash in place of Argon2."""
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
