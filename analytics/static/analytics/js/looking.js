// Asks now and then whether what a page shows is still so, by the tag of what it shows: where nothing is new the answer
// is 304 and has no body. Hidden tabs do not ask. `put` takes the new part; `say` a sentence where there is no answer,
// or "" where there is; while `held` says so nothing is asked, and what is new comes at the next look.
const PATIENCE = 4000; // ms to wait for one answer

export const keepLooking = ({ every, away, tag, from, put, say, held = () => false }) => {
  let heard = Date.now(), problem = "";
  const tell = () => {
    const since = new Date(heard).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit", second: "2-digit" });
    say(problem || (Date.now() - heard > away ? `No contact with the server since ${since}. What is shown is as it was then.` : ""));
  };
  const look = async () => {
    if (held()) return;
    const stop = new AbortController();
    const timer = setTimeout(() => stop.abort(), Math.max(PATIENCE, every));
    try {
      const headers = { "X-Part": "fresh", "If-None-Match": tag };
      const response = await fetch(from || location.pathname + location.search, { headers, credentials: "same-origin", cache: "no-store", signal: stop.signal });
      if (response.redirected || response.status === 401 || response.status === 403) {
        problem = "This screen is logged out. Load the page again and log in.";
        return;
      }
      if (response.status !== 200 && response.status !== 304) return; // as good as away
      heard = Date.now();
      problem = "";
      if (response.status === 304) return;
      const html = await response.text();
      if (held()) return; // a hand came down on it meanwhile
      tag = response.headers.get("ETag");
      put(html);
    } catch { /* away: said after a while */ } finally {
      clearTimeout(timer);
      tell();
    }
  };
  const run = async () => {
    if (document.hidden) heard = Date.now(); // nothing was asked, so nothing can be missed
    else await look();
    setTimeout(run, every);
  };
  document.addEventListener("visibilitychange", () => { if (!document.hidden) look(); });
  setTimeout(run, every);
};
