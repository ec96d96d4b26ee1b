"""What all tests in a browser share."""

from playwright.sync_api import expect

PATIENCE = 15_000  # ms for which a page is waited for: a machine with other work at hand takes its time

expect.set_options(timeout=PATIENCE)
