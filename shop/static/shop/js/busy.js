// Says that a form is being sent: a submit button's data-busy text stands on it until the next page.
// The button is not disabled, so that its own name and value are sent; a second press is swallowed.
const sent = new WeakSet();
document.addEventListener("submit", (event) => {
  const form = event.target, button = event.submitter;
  if (event.defaultPrevented) return;
  if (sent.has(form)) { event.preventDefault(); return; }
  const text = button?.dataset.busy ?? form.dataset.busy;
  if (text === undefined) return;
  sent.add(form);
  if (!button) return;
  button.dataset.idle = button.innerHTML;
  button.setAttribute("aria-busy", "true");
  button.textContent = text;
});
// Coming back with the browser's Back: the page is as it was left, so wake it.
addEventListener("pageshow", (event) => {
  if (!event.persisted) return;
  for (const button of document.querySelectorAll("[data-idle]")) {
    button.innerHTML = button.dataset.idle;
    button.removeAttribute("aria-busy");
    delete button.dataset.idle;
    if (button.form) sent.delete(button.form);
  }
});
