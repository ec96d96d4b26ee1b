// Making elements without markup in strings: data only ever becomes text.

// h("p.hint", { hidden: true, dataset: { key: "a" } }, "text", node, null)
export const h = (what, given = {}, ...children) => {
  const [name, ...classes] = what.split(".");
  const made = document.createElement(name);
  if (classes.length) made.className = classes.join(" ");
  for (const [key, value] of Object.entries(given ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (key === "dataset") Object.assign(made.dataset, value);
    else if (key === "class") made.className = [made.className, value].filter(Boolean).join(" ");
    else made.setAttribute(key, value === true ? "" : String(value));
  }
  made.append(...children.flat(Infinity).filter((one) => one !== null && one !== undefined && one !== false && one !== ""));
  return made;
};

// "A, B, C" with nodes.
export const joined = (nodes, between = ", ") => nodes.flatMap((node, i) => (i ? [between, node] : [node]));

const keyOf = (element) => element?.closest?.("[data-key]")?.dataset.key;

// Puts new children in a region. What was open stays open, and a keyboard stays where it was.
export const put = (region, ...children) => {
  if (!region) return; // a page of an earlier release, kept on the device, has no such place
  const nodes = children.flat(Infinity).filter(Boolean);
  const active = document.activeElement;
  const inside = region.contains(active), byKeyboard = inside && active.matches(":focus-visible");
  const key = inside ? keyOf(active) : undefined;
  const open = new Map([...region.querySelectorAll("details[data-key]")].map((one) => [one.dataset.key, one.open]));
  region.replaceChildren(...nodes);
  for (const one of region.querySelectorAll("details[data-key]")) if (open.has(one.dataset.key)) one.open = open.get(one.dataset.key);
  if (inside) (find(region, key) ?? (byKeyboard ? region.querySelector(".tap.primary, [data-press]") : null))?.focus({ preventScroll: true });
};

const find = (region, key) => (key === undefined ? null : [...region.querySelectorAll("[data-key]")].find((one) => one.dataset.key === key));
