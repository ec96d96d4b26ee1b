// Asks before a form is sent whose button (or itself) has data-confirm="the question".
// data-confirm-yes and data-confirm-no name the two presses. Without a script the form is sent at once.
const element = (name, attributes, text = "") => {
  const made = Object.assign(document.createElement(name), attributes);
  made.textContent = text;
  return made;
};
const ask = (source) => new Promise((resolve) => {
  const dialog = element("dialog", { className: "dialog" });
  const question = element("p", { id: "confirm-question" }, source.dataset.confirm);
  const form = element("form", { method: "dialog", className: "dialog-end" });
  form.append(
    element("button", { className: "button", value: "no", autofocus: true }, source.dataset.confirmNo ?? "No, leave it"),
    element("button", { className: "button danger", value: "yes" }, source.dataset.confirmYes ?? "Yes"),
  );
  dialog.setAttribute("aria-labelledby", question.id);
  dialog.append(question, form);
  dialog.addEventListener("close", () => { dialog.remove(); resolve(dialog.returnValue === "yes"); });
  document.body.append(dialog);
  dialog.showModal();
});
let agreed = null;
// Captured, so that it comes before what counts a form as sent.
document.addEventListener("submit", async (event) => {
  const form = event.target, button = event.submitter;
  if (agreed === form) { agreed = null; return; }
  const source = button?.dataset.confirm ? button : form.dataset.confirm ? form : null;
  if (!source) return;
  event.preventDefault();
  event.stopImmediatePropagation();
  if (!(await ask(source))) { button?.focus(); return; }
  agreed = form;
  form.requestSubmit(button);
  agreed = null;
}, true);
