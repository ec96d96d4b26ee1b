// A press that opens the printer's own questions; without a script the browser's menu does the same.
for (const button of document.querySelectorAll("[data-print]")) {
  button.hidden = false;
  button.addEventListener("click", () => window.print());
}
