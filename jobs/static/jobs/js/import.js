// A file dropped on its form is chosen; a file that is being brought in is looked at every second until it is done.
const EVERY = 1000; // ms between looks

const drop = document.querySelector("[data-drop]");
if (drop) {
  const input = drop.querySelector("input[type=file]");
  drop.querySelector("[data-drop-word]").hidden = false;
  const over = (on) => (event) => { event.preventDefault(); drop.classList.toggle("is-over", on); };
  drop.addEventListener("dragover", over(true));
  drop.addEventListener("dragleave", over(false));
  drop.addEventListener("drop", (event) => {
    over(false)(event);
    if (!event.dataTransfer.files.length) return;
    input.files = event.dataTransfer.files;
    drop.requestSubmit(drop.querySelector("button[type=submit]"));
  });
}

const place = document.querySelector("[data-under-way]");
const look = async () => {
  try {
    const headers = { "X-Part": "1", "If-None-Match": place.dataset.import };
    const response = await fetch(location.pathname, { headers, credentials: "same-origin", cache: "no-store" });
    if (response.redirected || response.status === 401 || response.status === 403) { location.reload(); return; }
    if (response.status === 200) {
      place.innerHTML = await response.text();
      place.dataset.import = response.headers.get("ETag");
      if (!place.querySelector(".steps")) return; // done, or not
    }
  } catch { /* away: asked again */ }
  setTimeout(look, EVERY);
};
if (place) setTimeout(look, EVERY);
