// Parts of a page that take a moment: each [data-part] asks for itself and takes the place of its busy line.
const whole = `${location.pathname}?whole`;

const load = async (place) => {
  try {
    const headers = { "X-Part": place.dataset.part };
    const response = await fetch(location.pathname, { headers, credentials: "same-origin", cache: "no-store" });
    if (response.redirected || [401, 403, 404].includes(response.status)) { location.reload(); return; }
    if (response.status >= 500) throw new Error(`answered ${response.status}`);
    place.innerHTML = await response.text();
  } catch (error) {
    const link = Object.assign(document.createElement("a"), { href: whole, textContent: "Try again" });
    const line = Object.assign(document.createElement("p"), { textContent: "This could not be worked out just now. " });
    line.append(link);
    place.replaceChildren(line);
    console.error("part", place.dataset.part, error);
  }
  place.removeAttribute("aria-busy");
};

// One after the other: they share the same processors.
for (const place of document.querySelectorAll("[data-part]")) await load(place);
