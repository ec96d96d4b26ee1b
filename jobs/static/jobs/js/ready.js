// A small stopwatch beside the minutes of a check: one press starts it, the next stops it and fills them in; a press of
// a result while it runs stops it too.
import { clockText } from "../../shop/js/ticking.js";

const running = new Map(); // button -> { since, timer }, by a clock that nobody puts right

const field = (button) => button.closest("form").querySelector("[name=minutes]");
const seconds = (button) => (performance.now() - running.get(button).since) / 1000;
const start = (button) => {
  const show = () => { button.textContent = `Stop ${clockText(seconds(button))}`; };
  running.set(button, { since: performance.now(), timer: setInterval(show, 500) });
  show();
};
const stop = (button) => {
  const whole = Math.round(seconds(button));
  clearInterval(running.get(button).timer);
  running.delete(button);
  field(button).value = `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
  button.textContent = "Time it";
};

for (const button of document.querySelectorAll("[data-time]")) {
  button.hidden = false;
  button.addEventListener("click", () => (running.has(button) ? stop(button) : start(button)));
}
document.addEventListener("submit", (event) => {
  const button = event.target.querySelector("[data-time]");
  if (button && running.has(button)) stop(button);
});
