// One key for each press, for a bench with a keyboard. They can be switched off, and rest while somebody types.
import { h } from "./dom.js";

const OFF = "lapwright.keys.off";
const LIST = [
  ["S", "Start, resume, back at it"], ["N", "Next"], ["P", "Pause, then the number of the cause"], ["A", "Also"], ["L", "Lap"],
  ["F", "Finish"], ["U", "Undo"], ["/", "Find a job"], ["?", "This list"],
];

const off = () => { try { return localStorage.getItem(OFF) === "1"; } catch { return false; } };
const setOff = (value) => { try { localStorage.setItem(OFF, value ? "1" : "0"); } catch { /* then it holds for this page only */ } };

const typing = (target) => target.closest("input:not([type=radio]), textarea, select, [contenteditable], dialog") !== null;

const dialogOf = (mark) => {
  const box = h("input", { type: "checkbox", id: "keys-on", checked: !off() });
  const dialog = h("dialog.dialog.keys", { "aria-labelledby": "keys-title" },
    h("h2", { id: "keys-title" }, "Keys"),
    h("dl.facts", {}, LIST.map(([key, word]) => h("div", {}, h("dt", {}, h("kbd", {}, key)), h("dd", {}, word)))),
    h("label.tap.small-tap", { for: "keys-on" }, box, " Keys are on"),
    h("form.dialog-end", { method: "dialog" }, h("button.button.primary", {}, "Close")));
  box.addEventListener("change", () => { setOff(!box.checked); mark(); });
  return dialog;
};

// root: the floor's part of the page; find: what the key for finding does.
export const keys = (root, { find }) => {
  const mark = () => { root.dataset.keys = off() ? "off" : "on"; };
  const dialog = dialogOf(mark);
  const opener = h("button.button.quiet.small.keys-button", { type: "button" }, "Keys");
  root.append(opener, dialog);
  mark();
  const show = () => { if (!dialog.open) dialog.showModal(); };
  opener.addEventListener("click", show);
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || event.repeat || off() || dialog.open || typing(event.target)) return;
    const key = event.key.length === 1 ? event.key.toUpperCase() : "";
    const done = key === "?" ? show() ?? true : key === "/" ? find() ?? true : pressed(root, key);
    if (done) event.preventDefault();
  });
};

// Presses what the key stands for; gives whether there was anything.
const pressed = (root, key) => {
  const open = root.querySelector("details[data-fold=pause][open]");
  if (/^[1-9]$/.test(key)) return click(open?.querySelector(`[aria-keyshortcuts="${key}"]`));
  if (!/^[A-Z]$/.test(key)) return false;
  return click([...root.querySelectorAll(`[aria-keyshortcuts="${key}"]`)].find((one) => !one.disabled && one.checkVisibility()));
};

const click = (target) => {
  if (!target) return false;
  target.click();
  return true;
};
