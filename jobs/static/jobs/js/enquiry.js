// Offers only the finishes that go with the process chosen. Without this the server says which do.
"use strict";
(() => {
  const select = document.querySelector("[data-finish-of-process] select");
  const processes = document.querySelectorAll("input[name=process][data-finishes]");
  if (!select) return;
  const limit = () => {
    const chosen = [...processes].find((input) => input.checked);
    const allowed = chosen ? chosen.dataset.finishes.split(",") : null;
    for (const option of select.options) {
      const fits = !option.value || allowed === null || allowed.includes(option.value);
      option.hidden = option.disabled = !fits;
      if (!fits && option.selected) select.value = "";
    }
  };
  for (const input of processes) input.addEventListener("change", limit);
  limit();
})();
