"""A thumb that takes its time, without taking any of the suite's."""

from playwright.sync_api import Page

GUARD = 520  # ms: a thumb is ready for the next press; a second touch before is the same one

# The floor's guard against a second touch asks a press when it happened. From now on all happens so much later. Whoever
# has read what waits has let what was pressed before get to the disk.
LATER = """async (ms) => {
  if (globalThis.rested === undefined) {
    const { get } = Object.getOwnPropertyDescriptor(Event.prototype, "timeStamp");
    globalThis.rested = 0;
    Object.defineProperty(Event.prototype, "timeStamp", { get() { return get.call(this) + globalThis.rested; } });
  }
  globalThis.rested += ms;
  const { waitingTaps } = await import("/static/jobs/js/store.js");
  await waitingTaps().catch(() => []);
}"""


def rest(page: Page) -> None:
    """The thumb is ready for the next press; what it pressed before is kept."""
    page.evaluate(LATER, GUARD)
