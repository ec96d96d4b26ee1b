// Days ahead: stages are dragged along the rule to pin them, jobs up and down to put them in another order; by keys too.
// Nothing is moved before the server has said what it would change: the dialog shows that, with "Do it" and "Leave it".
const dialog = document.querySelector("[data-try]");
const token = document.querySelector("[name=csrfmiddlewaretoken]")?.value;
const days = new URLSearchParams(location.search).get("days") ?? "";
const QUARTER = 15; // minutes
const HOLD_MS = 350; // a finger that rests so long on a shape picks it up; one that moves at once scrolls
const SLACK = 6; // px that a press may wander

// What a move would change, in the dialog. `leave` puts the page back as it was.
const preview = async (fields, leave, from) => {
  const body = new URLSearchParams({ ...fields, days });
  dialog.setAttribute("aria-busy", "true");
  dialog.innerHTML = "<h2 id=\"try-head\" tabindex=\"-1\">Working out what that would change …</h2>";
  dialog.onclose = () => { leave(); from?.focus(); };
  if (!dialog.open) dialog.showModal();
  try {
    const headers = { "X-Part": "1", "X-CSRFToken": token };
    const answer = await fetch("/ahead/try/", { method: "POST", headers, body, credentials: "same-origin" });
    if (answer.redirected || [401, 403].includes(answer.status)) { location.reload(); return; }
    if (!answer.ok && answer.status !== 422) throw new Error(String(answer.status));
    dialog.innerHTML = await answer.text();
  } catch {
    dialog.innerHTML = "<h2 id=\"try-head\" tabindex=\"-1\">No answer</h2><p class=\"notice error\">The program could not be reached. Nothing was changed. Try again when it can.</p><div class=\"dialog-end\"><button class=\"button\" type=\"button\" data-leave>Leave it</button></div>";
  }
  dialog.removeAttribute("aria-busy");
  dialog.querySelector("#try-head")?.focus();
};
dialog.addEventListener("click", (event) => {
  if (!event.target.closest("[data-leave]")) return;
  event.preventDefault();
  dialog.close();
});

// The folded rule: between its corners px and minutes go straight.
let picture, minutes, xs, now, queue;
const between = (value, from, to) => {
  const last = from.length - 1;
  if (value <= from[0]) return to[0];
  if (value >= from[last]) return to[last];
  const k = from.findIndex((edge) => edge > value);
  return to[k - 1] + (value - from[k - 1]) / (from[k] - from[k - 1]) * (to[k] - to[k - 1]);
};
const xOf = (at) => between(at, minutes, xs);
const minutesOf = (x) => between(x, xs, minutes);
// To a whole quarter of an hour on the clock, not before now, nor in a joint: there it is the next opening.
const snapped = (at) => {
  const least = Math.ceil(now / (QUARTER * 60_000)) * QUARTER * 60_000;
  const instant = Math.max(Math.round((now + at * 60_000) / (QUARTER * 60_000)) * QUARTER * 60_000, least);
  return (instant - now) / 60_000;
};
const instantOf = (at) => new Date(now + at * 60_000);
// On the shop's clock, as the server says it (say_near): '14:05' today, 'Fri 09:30' within a week, else 'Fri 12 Dec 09:30'.
const parts = (instant, options) => Object.fromEntries(new Intl.DateTimeFormat("en-GB", { timeZone: picture.dataset.zone, ...options }).formatToParts(instant).map((one) => [one.type, one.value]));
const clock = (instant) => { const { hour, minute } = parts(instant, { hour: "2-digit", minute: "2-digit", hourCycle: "h23" }); return `${hour}:${minute}`; };
const words = (at) => {
  const instant = instantOf(at), start = new Date(now);
  const full = { year: "numeric", month: "short", weekday: "short", day: "numeric" };
  const { year, month, weekday, day } = parts(instant, full), today = parts(start, full);
  const twice = [-1, 1].some((hours) => clock(new Date(instant.getTime() + hours * 3_600_000)) === clock(instant)); // the hour that comes twice
  const time = twice ? `${clock(instant)} ${parts(instant, { timeZoneName: "short" }).timeZoneName}` : clock(instant);
  if (day === today.day && month === today.month && year === today.year) return time;
  const days = Math.round((Date.parse(`${day} ${month} ${year} UTC`) - Date.parse(`${today.day} ${today.month} ${today.year} UTC`)) / 86_400_000);
  return days < 7 ? `${weekday} ${time}` : `${weekday} ${day} ${month}${year === today.year ? "" : ` ${year}`} ${time}`;
};

// What of the picture the pane shows now, px of the picture; the names stand before it.
const pane = () => picture.closest("[data-pane]");
const inSight = () => {
  const box = pane().getBoundingClientRect(), at = picture.getBoundingClientRect(), names = pane().querySelector(".ahead-names").getBoundingClientRect().width;
  return { left: box.left + names - at.left, right: box.right - at.left };
};
// Whatever is dragged to an edge makes what is behind it come into sight, for as long as it is held there.
const EDGE = 48, SPEED = 9; // px from the edge; px per frame
const pushing = (edges, scroll, after) => {
  let by = 0, frame = 0;
  const step = () => { frame = 0; if (!by) return; scroll(by); after(); frame = requestAnimationFrame(step); };
  return {
    at(point) {
      const { from, to } = edges();
      by = point < from + EDGE ? -SPEED : point > to - EDGE ? SPEED : 0;
      if (by && !frame) frame = requestAnimationFrame(step);
    },
    stop() { by = 0; cancelAnimationFrame(frame); frame = 0; },
  };
};

// A stage that is held: where it would begin is written beside it.
const hold = (stage) => {
  const start = Number(stage.dataset.start);
  const says = document.createElementNS("http://www.w3.org/2000/svg", "text");
  says.setAttribute("class", "ahead-says");
  const press = stage.querySelector(".ahead-press");
  says.setAttribute("y", String(Number(press.getAttribute("y")) - 2));
  stage.classList.add("is-held");
  picture.append(says);
  const held = {
    at: start,
    move(at) {
      held.at = snapped(at);
      const dx = xOf(held.at) - xOf(start);
      stage.setAttribute("transform", `translate(${dx} 0)`);
      says.setAttribute("x", String(Math.max(Math.min(xOf(held.at), xs.at(-1) - 130, inSight().right - 130), 4)));
      says.textContent = `from ${words(held.at)}`;
      announce(`${stage.getAttribute("aria-label").split(",")[0]} from ${words(held.at)}`);
    },
    leave() { stage.classList.remove("is-held"); stage.removeAttribute("transform"); says.remove(); if (holding === held) holding = null; },
    ask() { preview({ stage: stage.dataset.stage, at: instantOf(held.at).toISOString() }, held.leave, stage); },
    stage,
  };
  return held;
};
let holding = null; // by keys
const live = document.createElement("p");
live.className = "visually-hidden";
live.setAttribute("aria-live", "polite");
document.querySelector("main")?.append(live);
const announce = (said) => { live.textContent = said; };

const dragStage = (stage) => {
  stage.addEventListener("dragstart", (event) => event.preventDefault());
  stage.addEventListener("pointerdown", (down) => {
    if (down.button !== 0) return;
    const touch = down.pointerType === "touch";
    const first = Number(stage.dataset.start);
    let held = null, timer = 0, point = down.clientX;
    const scale = picture.getBoundingClientRect().width / picture.viewBox.baseVal.width;
    const grabbed = down.clientX - picture.getBoundingClientRect().left; // moves with the pane
    const pick = () => { held = hold(stage); held.move(first); navigator.vibrate?.(15); };
    if (touch) timer = setTimeout(pick, HOLD_MS);
    const follow = () => held?.move(minutesOf(xOf(first) + (point - picture.getBoundingClientRect().left - grabbed) / scale));
    const push = pushing(() => { const box = pane().getBoundingClientRect(); return { from: box.right - inSight().right + inSight().left, to: box.right }; },
      (by) => { pane().scrollLeft += by; }, follow);
    const move = (event) => {
      point = event.clientX;
      const far = Math.hypot(point - down.clientX, event.clientY - down.clientY) > SLACK;
      if (!held && far) { if (touch) { stop(); return; } pick(); }
      if (held) push.at(point);
      follow();
    };
    const stop = () => {
      clearTimeout(timer);
      push.stop();
      removeEventListener("pointermove", move);
      removeEventListener("pointerup", up);
      removeEventListener("pointercancel", cancel);
      removeEventListener("touchmove", still);
      removeEventListener("keydown", escape);
    };
    const up = () => {
      stop();
      if (!held) return;
      // The click that may end the drag opens nothing; a finger that rested makes none, and then the next one counts.
      const swallow = (event) => { event.preventDefault(); event.stopPropagation(); };
      addEventListener("click", swallow, { capture: true, once: true });
      setTimeout(() => removeEventListener("click", swallow, true), 300);
      setTimeout(() => held.ask());
    };
    const cancel = () => { stop(); held?.leave(); };
    const escape = (event) => { if (event.key === "Escape") cancel(); };
    const still = (event) => { if (held) event.preventDefault(); }; // the page stays while a shape is in hand
    addEventListener("pointermove", move);
    addEventListener("pointerup", up);
    addEventListener("pointercancel", cancel);
    addEventListener("touchmove", still, { passive: false });
    addEventListener("keydown", escape);
  });
  stage.addEventListener("contextmenu", (event) => { if (stage.classList.contains("is-held")) event.preventDefault(); });
  stage.addEventListener("keydown", (event) => {
    const step = { ArrowRight: QUARTER, ArrowLeft: -QUARTER }[event.key];
    if (step) {
      event.preventDefault();
      if (holding?.stage !== stage) { holding?.leave(); holding = hold(stage); }
      let to = holding.at + step;
      const joint = minutes.findIndex((edge, k) => k > 0 && xs[k] - xs[k - 1] < 22.5 && edge > to && minutes[k - 1] <= to && edge - minutes[k - 1] > 60);
      if (joint > 0) to = step > 0 ? minutes[joint] : minutes[joint - 1] - QUARTER; // over the night at one press
      holding.move(to);
    } else if (event.key === "Enter" && holding?.stage === stage) {
      event.preventDefault();
      holding.ask();
    } else if (event.key === "Escape" && holding?.stage === stage) {
      holding.leave();
      announce("Left as it was");
    }
  });
  stage.addEventListener("blur", () => { if (holding?.stage === stage && !dialog.open) holding.leave(); });
};

// The queue.
const rows = () => [...queue.querySelectorAll("[data-job]")];
const order = () => rows().map((row) => row.dataset.job).join();
// While a job is moved the others may be drawn shorter (the style sheet says where): it stays under the hand that has it.
const short = (row, on) => {
  const top = row.getBoundingClientRect().top;
  queue.style.minBlockSize = on ? `${queue.getBoundingClientRect().height}px` : "";
  queue.classList.toggle("is-moving", on);
  scrollBy({ top: row.getBoundingClientRect().top - top, behavior: "instant" });
};
const dragJob = (row) => {
  const grip = row.querySelector("[data-grip]");
  grip.hidden = false;
  let before = null; // the order from which it was taken up
  const take = () => { if (before) return; before = rows(); row.classList.add("is-held"); short(row, true); };
  const leave = () => {
    if (!before) return;
    queue.append(...before);
    before = null;
    row.classList.remove("is-held");
    short(row, false);
  };
  const ask = () => {
    if (before.map((each) => each.dataset.job).join() === order()) { leave(); grip.focus(); return; }
    const next = row.nextElementSibling;
    preview({ job: row.dataset.job, place: next ? `before:${next.dataset.job}` : "last" }, leave, grip);
  };
  // The others make way: a row that was taken out of the page itself would lose the pointer that holds it, and the focus.
  const put = (target, after) => {
    const all = rows(), mine = all.indexOf(row), place = all.indexOf(target);
    if (after) row.before(...all.slice(mine + 1, place + 1));
    else row.after(...all.slice(place, mine));
    announce(`Place ${rows().indexOf(row) + 1} of ${rows().length}`);
  };
  grip.addEventListener("pointerdown", (down) => {
    if (down.button !== 0) return;
    grip.setPointerCapture(down.pointerId);
    take();
    let point = down.clientY;
    const follow = () => {
      for (const other of rows()) {
        if (other === row) continue;
        const box = other.getBoundingClientRect(), half = box.top + box.height / 2;
        const above = other.compareDocumentPosition(row) & Node.DOCUMENT_POSITION_FOLLOWING;
        if (above && point < half) { put(other, false); break; }
        if (!above && point > half) put(other, true);
      }
    };
    const push = pushing(() => ({ from: 0, to: innerHeight }), (by) => scrollBy({ top: by, behavior: "instant" }), follow);
    const move = (event) => { point = event.clientY; push.at(point); follow(); };
    const stop = () => {
      push.stop();
      grip.removeEventListener("pointermove", move);
      grip.removeEventListener("pointerup", up);
      grip.removeEventListener("pointercancel", cancel);
      removeEventListener("keydown", escape, true);
    };
    const up = () => { stop(); ask(); };
    const cancel = () => { stop(); leave(); };
    const escape = (event) => { if (event.key === "Escape") { event.stopPropagation(); cancel(); announce("Left as it was"); } };
    grip.addEventListener("pointermove", move);
    grip.addEventListener("pointerup", up);
    grip.addEventListener("pointercancel", cancel);
    addEventListener("keydown", escape, true);
  });
  grip.addEventListener("keydown", (event) => {
    if (event.key === "ArrowUp" || event.key === "ArrowDown") {
      event.preventDefault();
      const other = event.key === "ArrowUp" ? row.previousElementSibling : row.nextElementSibling;
      if (!other) return;
      take();
      put(other, event.key === "ArrowDown");
      row.scrollIntoView({ block: "nearest" });
    } else if (event.key === "Enter" && before) {
      event.preventDefault();
      ask();
    } else if (event.key === "Escape" && before) {
      leave();
      grip.focus();
      announce("Left as it was");
    }
  });
  // Whoever goes elsewhere without an answer has left it: the order shown is the one that holds.
  grip.addEventListener("blur", () => setTimeout(() => { if (before && !dialog.open && document.activeElement !== grip) leave(); }));
};

// What the page shows now: at first, and whenever it took a new state.
const wire = () => {
  picture = document.querySelector(".ahead-picture");
  minutes = (picture?.dataset.minutes ?? "").split(",").map(Number);
  xs = (picture?.dataset.xs ?? "").split(",").map(Number);
  now = Date.parse(picture?.dataset.now ?? "");
  queue = document.querySelector("[data-queue]");
  if (picture) for (const stage of picture.querySelectorAll("[data-stage]")) dragStage(stage);
  if (queue) for (const row of rows()) dragJob(row);
};
wire();
document.addEventListener("fresh", wire);

// The forms without a script's help ask the same; with it the answer comes into the dialog.
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.getAttribute("action") !== "/ahead/try/") return;
  event.preventDefault();
  const data = new FormData(form, event.submitter);
  data.delete("csrfmiddlewaretoken");
  preview(Object.fromEntries(data), () => {}, event.submitter);
}, true);
