// The keys of a PIN, for gloves and for a keyboard. Without a script the field and its press do alone.
const field = document.querySelector("[data-pin]"), pad = document.querySelector("[data-keypad]");
const most = field.maxLength;
const add = (digit) => { if (field.value.length < most) field.value += digit; };
const rub = () => { field.value = field.value.slice(0, -1); };

pad.hidden = false;
document.querySelector("[data-without-keypad]").hidden = true;
field.inputMode = "none"; // the tablet's own keyboard stays down; a real one still types
pad.addEventListener("click", ({ target, detail }) => {
  const key = target.closest("[data-digit], [data-rub]");
  if (key) key.dataset.digit ? add(key.dataset.digit) : rub();
  if (key && detail) field.focus(); // touched, not pressed by keyboard: Enter is to go on then
});
// Digits typed while a key of the pad has the focus count too.
document.addEventListener("keydown", (event) => {
  if (event.target === field || event.ctrlKey || event.metaKey || event.altKey) return;
  if (/^[0-9]$/.test(event.key)) add(event.key);
  else if (event.key === "Backspace") rub();
});
