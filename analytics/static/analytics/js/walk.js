// A walk that is under way is looked at every two seconds until it is not.
import { unfold } from "./folds.js";

const EVERY = 2000; // ms between looks
const place = document.querySelector("[data-walk]");
const settle = () => { for (const link of place.querySelectorAll("[data-no-script]")) link.hidden = true; };

const look = async () => {
  if (document.querySelector("dialog[open]")) { setTimeout(look, EVERY); return; } // its form must stay where it is
  try {
    const headers = { "X-Part": "1", "If-None-Match": place.dataset.walk };
    const response = await fetch(location.pathname, { headers, credentials: "same-origin", cache: "no-store" });
    if (response.redirected || [401, 403, 404].includes(response.status)) { location.reload(); return; }
    if (response.status === 200) {
      const focused = place.contains(document.activeElement) ? document.activeElement.textContent : null;
      place.innerHTML = await response.text();
      place.dataset.walk = response.headers.get("ETag");
      settle();
      unfold();
      if (focused) [...place.querySelectorAll("button, a")].find((one) => one.textContent === focused)?.focus();
    }
  } catch { /* away: asked again */ }
  if (place.querySelector("[data-under-way]")) setTimeout(look, EVERY);
};

settle();
setTimeout(look, EVERY);
