"""A plugin that runs the tests as if it were another instant, to see that none hangs on the hour or the day.

`AT=2026-12-31T22:30 make test ARGS="-p tests.another_clock"`: UTC, if no offset is given; the clock goes on from there.
Programs that a test starts keep the real clock, so tests that are marked services are left out.
"""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import time_machine

REAL = datetime.now(UTC)
_given = datetime.fromisoformat(os.environ["AT"])
AT = _given if _given.tzinfo else _given.replace(tzinfo=UTC)
AHEAD = (AT - REAL) / timedelta(milliseconds=1)

# The browser is a program of its own: its pages are told the instant, by the same difference.
DATE = f"""(() => {{
  const Real = Date;
  globalThis.Date = class extends Real {{
    constructor(...given) {{ if (given.length) super(...given); else super(Real.now() + {AHEAD}); }}
    static now() {{ return Real.now() + {AHEAD}; }}
  }};
}})()"""

time_machine.travel(AT).start()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave out what starts programs."""
    items[:] = [item for item in items if "services" not in item.keywords]


@pytest.fixture(scope="session", autouse=True)
def _pages_are_told() -> None:
    from playwright.sync_api import Browser

    real = Browser.new_context

    def new_context(self: Browser, **facts: Any) -> Any:
        context = real(self, **facts)
        context.add_init_script(DATE)
        return context

    Browser.new_context = new_context  # type: ignore[method-assign]
