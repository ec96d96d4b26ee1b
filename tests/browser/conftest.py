"""What all tests in a browser share."""

from collections.abc import Callable, Sequence

import pytest
from playwright.sync_api import Page, expect

from tests.browser.looks import comes_to_nothing, look

PATIENCE = 120_000  # ms for which a page is waited for: a machine with other work at hand takes its time
LOOKS = ((390, "light"), (820, "dark"), (1440, "light"))  # CSS pixels and colour scheme

expect.set_options(timeout=PATIENCE)


@pytest.fixture
def looks_right(assert_accessible: Callable[[Page], None]) -> Callable[..., None]:
    """`looks_right(page)`: the page as it stands fits and can be read by everybody, at each width and in each scheme.

    also: scripts that list what is wrong besides. The page is left as it was first looked at.
    """

    def looks_right(page: Page, *also: str, looks: Sequence[tuple[int, str]] = LOOKS) -> None:
        for width, scheme in looks:
            look(page, width, scheme)
            too_wide = f"(width = document.documentElement.scrollWidth) => width > {width} ? [width] : []"
            for script in (f"({too_wide})()", *also):
                assert comes_to_nothing(page, script) == [], f"{page.url} at {width} px, {scheme}"
            assert_accessible(page)
        look(page, *looks[0])

    return looks_right
