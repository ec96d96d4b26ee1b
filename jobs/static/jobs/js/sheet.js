// Reads a timed sheet as it is typed: what the server makes of it stands beside the form a moment after the last key.
// Without this the button shows the same.
const form = document.querySelector("form[data-sheet]"), seen = form?.querySelector("[data-seen]");
let waiting = 0, asking = null;
const look = async () => {
  asking?.abort();
  asking = new AbortController();
  const body = new FormData(form);
  body.set("step", "look");
  try {
    const answer = await fetch(location.href, { method: "POST", body, headers: { "X-Part": "1" }, signal: asking.signal });
    if (answer.redirected || answer.status !== 200) return; // logged out: the button says so
    seen.innerHTML = await answer.text();
  } catch { /* no connection, or typed on: the next look will do */ }
};
form?.addEventListener("input", (event) => {
  if (event.target.name === "reason") return;
  clearTimeout(waiting);
  waiting = setTimeout(() => { if (form.elements.text.value.trim()) look(); }, 500);
});
