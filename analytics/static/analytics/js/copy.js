// Copies what stands in the field that a button's data-copy names. Away from a secure address, where a page may not
// write to the clipboard, the field is marked for the reader's own copying.
const say = (button, words) => {
  const usual = button.dataset.usual ?? (button.dataset.usual = button.textContent);
  button.textContent = words;
  setTimeout(() => { button.textContent = usual; }, 2500);
};
for (const button of document.querySelectorAll("[data-copy]")) {
  const field = document.getElementById(button.dataset.copy);
  button.hidden = false;
  button.addEventListener("click", async () => {
    field.select();
    try {
      await navigator.clipboard.writeText(field.value);
      say(button, "Copied");
    } catch {
      say(button, "Marked: copy it now");
    }
  });
}
