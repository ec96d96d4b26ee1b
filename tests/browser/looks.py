"""A page at one width and in one colour scheme, and what is wrong with it there."""

from playwright.sync_api import Page


def look(page: Page, width: int, scheme: str) -> None:
    """Show the page so many CSS pixels wide, "light" or "dark"."""
    page.set_viewport_size({"width": width, "height": 900})
    page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type]


def comes_to_nothing(page: Page, script: str) -> list[object]:
    """What the script lists, once the page has come to rest: pictures are drawn anew after the width has changed."""
    found: list[object] = page.evaluate(script)
    for _ in range(40):
        if not found:
            break
        page.wait_for_timeout(50)
        found = page.evaluate(script)
    return found
